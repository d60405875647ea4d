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
