/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calibration/table.h"

#include "trend/proportion.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { DRAWS = 1000, MOST_SETS = 4000 };

int refuted;

void head(const char *title)
{
    printf("\n%s\n  %-50s %9s %10s   %20s\n", title, "", "stated %", "observed %", "95 % interval");
}

void print_row(const char *what, double stated, double observed, double low, double high,
               enum finding_kind kind)
{
    static const char *const words[] = {"holds", "REFUTED", "(shown)"};
    char text[16] = "        -";
    if (!isnan(stated))
        snprintf(text, sizeof text, "%9.4f", 100 * stated);
    printf("  %-50s %s %10.4f   %8.4f to %8.4f  %s\n", what, text, 100 * observed, 100 * low,
           100 * high, words[kind]);
    fflush(stdout);
    refuted += kind == REFUTED;
}

static uint64_t roll(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return *state >> 33;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

static double share_of(const struct set_seen *sets, size_t count, const size_t *chosen)
{
    double part = 0;
    double whole = 0;
    for (size_t i = 0; i < count; i++) {
        const struct set_seen *set = &sets[chosen[i]];
        part += set->weight * set->part;
        whole += set->weight * set->whole;
    }
    return whole > 0 ? part / whole : 0;
}

/* b NULL: the share of a alone. */
static double drawn(const struct set_seen *a, const struct set_seen *b, size_t count,
                    uint64_t *state)
{
    static size_t chosen[MOST_SETS];
    for (size_t i = 0; i < count; i++)
        chosen[i] = state ? (size_t)(roll(state) % count) : i;
    return share_of(a, count, chosen) - (b ? share_of(b, count, chosen) : 0);
}

static struct interval over_sets(const struct set_seen *a, const struct set_seen *b, size_t count)
{
    static double shares[DRAWS];
    uint64_t state = 20260131;
    for (int i = 0; i < DRAWS; i++)
        shares[i] = drawn(a, b, count, &state);
    qsort(shares, DRAWS, sizeof *shares, by_size);
    return (struct interval){drawn(a, b, count, NULL), shares[DRAWS / 40],
                             shares[DRAWS - 1 - DRAWS / 40]};
}

struct interval share_over_sets(const struct set_seen *sets, size_t count)
{
    struct interval interval = over_sets(sets, NULL, count);
    double sum = 0;
    double squares = 0;
    for (size_t i = 0; i < count; i++) {
        sum += sets[i].weight * sets[i].whole;
        squares += sets[i].weight * sets[i].weight * sets[i].whole;
    }
    if (interval.mean == 0 && squares > 0)
        interval.high = proportion_between(0, (unsigned)(sum * sum / squares), 0.95).high;
    return interval;
}

struct interval difference_over_sets(const struct set_seen *a, const struct set_seen *b,
                                     size_t count)
{
    return over_sets(a, b, count);
}

void at_most_row(const char *what, double stated, const struct set_seen *sets, size_t count)
{
    struct interval seen = share_over_sets(sets, count);
    print_row(what, stated, seen.mean, seen.low, seen.high, seen.low <= stated ? HOLDS : REFUTED);
}

void shown_row(const char *what, double stated, const struct set_seen *sets, size_t count)
{
    struct interval seen = share_over_sets(sets, count);
    print_row(what, stated, seen.mean, seen.low, seen.high, SHOWN);
}
