/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The segmentation against published values.
 *
 * - Nile: annual flow at Aswan, 1871 to 1970, 10^8 m^3 (Cobb, Biometrika 65,
 *   1978; the series `datasets::Nile` of R). The published break: 1898 is the
 *   last year of the first segment (R's strucchange, breakpoints(Nile ~ 1)).
 * - Lag-1 autocorrelation: NIST StRD univariate data sets Lew, Lottery, Mavro,
 *   Michelso, as certified (data: strd_table.csv).
 */
#include "signature/levels.h"
#include "signature/noise.h"
#include "support/outside_table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static const double nile[100] = {
    1120, 1160, 963, 1210, 1160, 1160, 813,  1230, 1370, 1140, 995,  935,  1110, 994,  1020,
    960,  1180, 799, 958,  1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774,  840,
    874,  694,  940, 833,  701,  916,  692,  1020, 1050, 969,  831,  726,  456,  824,  702,
    1120, 1100, 832, 764,  821,  768,  845,  864,  862,  698,  845,  744,  796,  1040, 759,
    781,  865,  845, 944,  984,  897,  822,  1010, 771,  676,  649,  846,  812,  742,  801,
    1040, 860,  874, 848,  890,  744,  749,  838,  1050, 918,  986,  797,  923,  975,  815,
    1020, 906,  901, 1170, 912,  746,  919,  718,  714,  740};

static void nile_breaks_in_1898(void **state)
{
    (void)state;
    struct noise noise;
    assert_int_equal(noise_learn(nile, 100, 1, &noise), 0);
    double square = noise.deviation_A * noise.deviation_A;
    double factors[] = {1, 2};
    for (size_t k = 0; k < 2; k++) {
        /* methods: about 2 to 3 ln n; halved and doubled about that */
        struct level_problem problem = {.values = nile,
                                        .count = 100,
                                        .penalty = factors[k] * 3 * log(100) * square,
                                        .bound = INFINITY};
        struct level_cut cut;
        assert_int_equal(levels_cut(&problem, &cut), 0);
        print_message("penalty %g x 3 ln n: %zu levels, break after %zu\n", factors[k], cut.count,
                      cut.count > 1 ? 1870 + cut.starts[1] : 0);
        assert_int_equal(cut.count, 2);
        assert_int_equal(1870 + cut.starts[1], 1898);
        level_cut_clear(&cut);
    }
}

static void lag1_as_certified(void **state)
{
    (void)state;
    static const struct {
        const char *set;
        double lag1;
    } sets[] = {{"Lew", -0.307304800605679},
                {"Lottery", -0.120948622967393},
                {"Mavro", 0.937989183438248},
                {"Michelso", 0.535199668621283}};
    for (size_t k = 0; k < sizeof sets / sizeof *sets; k++) {
        size_t count = 0;
        double *values = outside_column("tests/outside/strd_table.csv", sets[k].set, "y", &count);
        double lag1 = noise_lag1(values, count);
        print_message("%s: %.12f, certified %.12f\n", sets[k].set, lag1, sets[k].lag1);
        assert_true(fabs(lag1 - sets[k].lag1) <= 1e-9 * fabs(sets[k].lag1));
        free(values);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nile_breaks_in_1898),
        cmocka_unit_test(lag1_as_certified),
    };
    return cmocka_run_group_tests_name("segmentation, outside", tests, NULL, NULL);
}
