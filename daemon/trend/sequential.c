/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/sequential.h"

#include <math.h>

bool sequential_begin(struct sequential *test, double error_first, double error_second)
{
    if (!(error_first > 0) || !(error_second > 0) || !(error_first + error_second < 1))
        return false;
    *test = (struct sequential){.first_bound = log(error_second / (1 - error_first)),
                                .second_bound = log((1 - error_second) / error_first),
                                .state = SEQUENTIAL_GO_ON};
    return true;
}

static enum sequential_state step(struct sequential *test, double step)
{
    if (test->state != SEQUENTIAL_GO_ON)
        return test->state;
    test->ratio += step;
    test->count++;
    if (test->ratio <= test->first_bound)
        test->state = SEQUENTIAL_FIRST;
    else if (test->ratio >= test->second_bound)
        test->state = SEQUENTIAL_SECOND;
    return test->state;
}

enum sequential_state sequential_add_value(struct sequential *test, double value, double first_mean,
                                           double second_mean, double sigma)
{
    double middle = 0.5 * (first_mean + second_mean);
    return step(test, (second_mean - first_mean) * (value - middle) / (sigma * sigma));
}

enum sequential_state sequential_add_outcome(struct sequential *test, bool failed,
                                             double first_rate, double second_rate)
{
    return step(test,
                failed ? log(second_rate / first_rate) : log1p(-second_rate) - log1p(-first_rate));
}

/* By how likely the test ends at either bound, which the bounds themselves give
 * without overshoot. */
static double expected(const struct sequential *test, bool second, double drift)
{
    double a = (1 - exp(test->first_bound)) / (exp(test->second_bound) - exp(test->first_bound));
    double b = exp(test->first_bound) * (1 - a);
    double at_second = second ? 1 - b : a;
    return ((1 - at_second) * test->first_bound + at_second * test->second_bound) / drift;
}

double sequential_expected_first(const struct sequential *test, double first_mean,
                                 double second_mean, double sigma)
{
    double distance = (second_mean - first_mean) / sigma;
    return expected(test, false, -0.5 * distance * distance);
}

double sequential_expected_second(const struct sequential *test, double first_mean,
                                  double second_mean, double sigma)
{
    double distance = (second_mean - first_mean) / sigma;
    return expected(test, true, 0.5 * distance * distance);
}
