/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The exact cut into levels against plain dynamic programming, at random.
 * WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "signature/levels.h"
#include "support/power_up_scene.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

enum { MOST = 60 };

static size_t pick(uint64_t *random, size_t count)
{
    return (size_t)(scene_uniform(random) * (double)count) % count;
}

static double loss(const struct level_problem *p, size_t first, size_t end, double level)
{
    double cost = 0;
    for (size_t i = first; i < end; i++) {
        double d = p->values[i] - level;
        cost += fmin(p->bound, (p->weights ? p->weights[i] : 1) * d * d);
    }
    return cost;
}

/* The least bounded loss of one level lies at the mean of those values that it
 * leaves within the bound; which these are changes only where a value's window
 * begins or ends. So: try the mean of every such set. */
static double plain_bounded(const struct level_problem *p, size_t first, size_t end)
{
    double best = INFINITY;
    for (size_t i = first; i < end; i++) {
        for (int side = 0; side < 4; side++) {
            double reach = sqrt(p->bound / (p->weights ? p->weights[i] : 1));
            double at = p->values[i] + (side & 1 ? reach : -reach) + (side & 2 ? 1e-9 : -1e-9);
            double sum = 0;
            double weights = 0;
            for (size_t k = first; k < end; k++) {
                double w = p->weights ? p->weights[k] : 1;
                double d = p->values[k] - at;
                if (w * d * d < p->bound) {
                    sum += w * p->values[k];
                    weights += w;
                }
            }
            if (weights > 0)
                best = fmin(best, loss(p, first, end, sum / weights));
        }
    }
    return best;
}

static double plain_level(const struct level_problem *p, size_t first, size_t end)
{
    if (isfinite(p->bound))
        return plain_bounded(p, first, end);
    double sum = 0;
    double weights = 0;
    for (size_t i = first; i < end; i++) {
        double w = p->weights ? p->weights[i] : 1;
        sum += w * p->values[i];
        weights += w;
    }
    return loss(p, first, end, sum / weights);
}

static double plain_cost(const struct level_problem *p)
{
    double best[MOST + 1];
    best[0] = -p->penalty;
    for (size_t end = 1; end <= p->count; end++) {
        best[end] = INFINITY;
        for (size_t first = 0; first < end; first++)
            best[end] = fmin(best[end], best[first] + p->penalty + plain_level(p, first, end));
    }
    return best[p->count];
}

/* The cut's own statement of its cost, its starts and levels must agree. */
static double cost_as_stated(const struct level_problem *p, const struct level_cut *cut)
{
    double cost = -p->penalty;
    for (size_t k = 0; k < cut->count; k++) {
        size_t end = k + 1 < cut->count ? cut->starts[k + 1] : p->count;
        assert_true(cut->starts[k] < end);
        cost += p->penalty + loss(p, cut->starts[k], end, cut->levels[k]);
    }
    return cost;
}

struct made {
    double values[MOST], weights[MOST];
    struct level_problem problem;
};

static void make(struct made *made, uint64_t *random, size_t most, bool bounded)
{
    size_t n = 1 + pick(random, most);
    double level = 0;
    bool rounded = pick(random, 3) == 0;
    for (size_t i = 0; i < n; i++) {
        if (pick(random, 6) == 0)
            level = (double)pick(random, 10);
        made->values[i] = level + scene_normal(random);
        if (pick(random, 12) == 0)
            made->values[i] += 8 * scene_normal(random);
        if (rounded)
            made->values[i] = nearbyint(made->values[i]);
        made->weights[i] = 0.2 + 2 * scene_uniform(random);
    }
    double penalty = 0.5 + 12 * scene_uniform(random);
    made->problem = (struct level_problem){
        .values = made->values,
        .weights = pick(random, 2) ? made->weights : NULL,
        .count = n,
        .penalty = penalty,
        .bound = bounded ? penalty * (0.3 + scene_uniform(random)) : (double)INFINITY};
}

static uint64_t seed_of_run(void)
{
    const char *text = getenv("WAKEDRAW_TEST_SEED");
    return text ? strtoull(text, NULL, 10) : (uint64_t)time(NULL);
}

static void agrees(size_t cases, size_t most, bool bounded)
{
    uint64_t seed = seed_of_run();
    print_message("seed %llu, %zu cases\n", (unsigned long long)seed, cases);
    uint64_t random = seed;
    for (size_t i = 0; i < cases; i++) {
        struct made made;
        struct level_cut cut;
        make(&made, &random, most, bounded);
        assert_int_equal(levels_cut(&made.problem, &cut), 0);
        double plain = plain_cost(&made.problem);
        double stated = cost_as_stated(&made.problem, &cut);
        if (fabs(cut.cost - plain) > 1e-7 * (1 + plain) ||
            fabs(stated - cut.cost) > 1e-7 * (1 + plain))
            print_error("case %zu, %zu values: %.9f, as stated %.9f, plain %.9f\n", i,
                        made.problem.count, cut.cost, stated, plain);
        assert_true(fabs(cut.cost - plain) <= 1e-7 * (1 + plain));
        assert_true(fabs(stated - cut.cost) <= 1e-7 * (1 + plain));
        level_cut_clear(&cut);
    }
}

static void least_squares_is_exact(void **state)
{
    (void)state;
    agrees(6000, MOST, false);
}

static void bounded_loss_is_exact(void **state)
{
    (void)state;
    agrees(1500, 24, true);
}

/* A cut that is not the best must be found out. */
static void checker_can_fail(void **state)
{
    (void)state;
    uint64_t random = 5;
    size_t found = 0;
    for (size_t i = 0; i < 200; i++) {
        struct made made;
        struct level_cut cut;
        make(&made, &random, MOST, false);
        assert_int_equal(levels_cut(&made.problem, &cut), 0);
        if (cut.count > 1) {
            /* One boundary off by one. */
            size_t k = cut.count - 1;
            cut.starts[k] =
                cut.starts[k] + 1 < made.problem.count ? cut.starts[k] + 1 : cut.starts[k] - 1;
            if (cut.starts[k] > cut.starts[k - 1])
                found += cost_as_stated(&made.problem, &cut) > plain_cost(&made.problem) + 1e-7;
        }
        level_cut_clear(&cut);
    }
    assert_true(found > 50);
}

static void plain_cases(void **state)
{
    (void)state;
    struct level_cut cut;
    struct level_problem none = {.count = 0, .penalty = 1, .bound = INFINITY};
    assert_int_equal(levels_cut(&none, &cut), 0);
    assert_int_equal(cut.count, 0);
    const double same[] = {2, 2, 2, 2};
    struct level_problem flat = {.values = same, .count = 4, .penalty = 1, .bound = INFINITY};
    assert_int_equal(levels_cut(&flat, &cut), 0);
    assert_int_equal(cut.count, 1);
    assert_true(cut.levels[0] == 2 && cut.cost == 0);
    level_cut_clear(&cut);
    const double step[] = {0, 0, 0, 5, 5, 5};
    struct level_problem two = {.values = step, .count = 6, .penalty = 3, .bound = INFINITY};
    assert_int_equal(levels_cut(&two, &cut), 0);
    assert_int_equal(cut.count, 2);
    assert_int_equal(cut.starts[1], 3);
    assert_true(cut.levels[0] == 0 && cut.levels[1] == 5);
    assert_true(fabs(cut.cost - 3) < 1e-12);
    level_cut_clear(&cut);
    /* A lone value costs its bound, and no level of its own. */
    const double spike[] = {1, 1, 1, 9, 1, 1, 1};
    struct level_problem lone = {.values = spike, .count = 7, .penalty = 10, .bound = 7};
    assert_int_equal(levels_cut(&lone, &cut), 0);
    assert_int_equal(cut.count, 1);
    assert_true(fabs(cut.levels[0] - 1) < 1e-12 && fabs(cut.cost - 7) < 1e-12);
    level_cut_clear(&cut);
}

/* Long rows keep their digits: a small step far from zero, late in the row. */
static void long_rows_keep_their_digits(void **state)
{
    (void)state;
    enum { LONG = 50000 };
    double *values = malloc(LONG * sizeof *values);
    assert_non_null(values);
    uint64_t random = 3;
    for (size_t i = 0; i < LONG; i++)
        values[i] = 1e6 + (i < LONG - 200 ? 0 : 2.0) + scene_normal(&random);
    struct level_problem p = {
        .values = values, .count = LONG, .penalty = 3 * log(LONG), .bound = INFINITY};
    struct level_cut cut;
    assert_int_equal(levels_cut(&p, &cut), 0);
    assert_int_equal(cut.count, 2);
    assert_in_range(cut.starts[1], LONG - 205, LONG - 195);
    assert_true(fabs(cost_as_stated(&p, &cut) - cut.cost) < 1e-6);
    level_cut_clear(&cut);
    free(values);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(plain_cases),
        cmocka_unit_test(least_squares_is_exact),
        cmocka_unit_test(bounded_loss_is_exact),
        cmocka_unit_test(checker_can_fail),
        cmocka_unit_test(long_rows_keep_their_digits),
    };
    return cmocka_run_group_tests_name("levels", tests, NULL, NULL);
}
