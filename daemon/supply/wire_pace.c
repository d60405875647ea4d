/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/wire_pace.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void wire_pace_add(struct wire_pace *pace, double round_trip_s)
{
    if (pace->in_block == 0 || round_trip_s < pace->best_s)
        pace->best_s = round_trip_s;
    if (++pace->in_block < PACE_BLOCK)
        return;
    pace->blocks_s[pace->next] = pace->best_s;
    pace->next = (pace->next + 1) % PACE_BLOCKS;
    if (pace->blocks < PACE_BLOCKS)
        pace->blocks++;
    pace->in_block = 0;
}

static int ascending(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;
    return (a > b) - (a < b);
}

double wire_pace_fastest_s(const struct wire_pace *pace)
{
    if (pace->blocks == 0)
        return pace->in_block ? pace->best_s : (double)NAN;
    double sorted[PACE_BLOCKS];
    memcpy(sorted, pace->blocks_s, sizeof sorted);
    qsort(sorted, pace->blocks, sizeof *sorted, ascending);
    return sorted[pace->blocks / 2];
}

double wire_cost_least_s(const struct wire_cost *cost, const struct wire_pace *pace,
                         double character_s, double *turnaround_s)
{
    double fixed_s = character_s * (cost->query_chars + cost->reply_chars) + cost->silence_s +
                     cost->gap_s + cost->acquisition_s;
    double fastest_s = wire_pace_fastest_s(pace);
    *turnaround_s = isnan(fastest_s) ? (double)NAN : fmax(0, fastest_s - fixed_s);
    return fixed_s + *turnaround_s;
}

static const double RATE_WINDOW_S = 5;

void wire_rate_add(struct wire_rate *rate, double time_s, int readings)
{
    if (!rate->started) {
        *rate = (struct wire_rate){
            .started = true, .begun_s = time_s, .last_begun_s = time_s, .newest_s = time_s};
        return;
    }
    rate->newest_s = time_s;
    rate->count += (size_t)readings;
    if (time_s - rate->begun_s < RATE_WINDOW_S)
        return;
    rate->last_begun_s = rate->begun_s;
    rate->last_count = rate->count;
    rate->begun_s = time_s;
    rate->count = 0;
}

double wire_rate_hz(const struct wire_rate *rate)
{
    double seconds = rate->newest_s - rate->last_begun_s;
    return seconds > 0 ? (double)(rate->last_count + rate->count) / seconds : (double)NAN;
}
