/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Do the claims hold? Simulates reference sets and prints, for each claim, what
 * is stated, what is observed and its 95 % interval (Clopper and Pearson; over
 * reference sets where units are judged by one reference; two standard errors of
 * a mean):
 *   calibrate [SEED [PART...]]
 * PART: limits, levels, verdicts, goods, ranges, repeated; all without one. Exit
 * 1 where an interval excludes what is stated, or where a wrong claim passed.
 */
#include "calibration/parts.h"
#include "calibration/table.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool is_wanted(int argc, char **argv, const char *part)
{
    for (int i = 2; i < argc; i++)
        if (strcmp(argv[i], part) == 0)
            return true;
    return argc < 3;
}

int main(int argc, char **argv)
{
    uint64_t seed = argc > 1 ? strtoull(argv[1], NULL, 10) : 20260131;
    printf("seed %llu\n", (unsigned long long)seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    if (!random)
        return EXIT_FAILURE;
    gsl_rng_set(random, (unsigned long)seed);
    if (is_wanted(argc, argv, "limits")) {
        normal_limits(random);
        random_effects_limits(random);
        shrunk_limits(random);
        borrowed_limits(random);
    }
    if (is_wanted(argc, argv, "levels"))
        level_rates(random);
    gsl_rng_free(random);
    if (is_wanted(argc, argv, "verdicts"))
        verdict_rates(seed);
    if (is_wanted(argc, argv, "goods"))
        known_goods_that_are_not(seed);
    if (is_wanted(argc, argv, "ranges"))
        stated_ranges(seed);
    if (is_wanted(argc, argv, "repeated"))
        repeated_errors(seed);
    printf("\n%d refuted\n", refuted);
    return refuted ? EXIT_FAILURE : EXIT_SUCCESS;
}
