/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/conformity.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <math.h>

enum { NODES = 64, PANELS = 32 };
static const double reach = 9; /* standard deviations that hold all that counts */

enum verdict_kind conformity_decide(const struct limits *limits, double measured, double guard)
{
    if (measured >= limits->low + guard && measured <= limits->high - guard)
        return VERDICT_GOOD;
    if (measured < limits->low - guard || measured > limits->high + guard)
        return VERDICT_BAD;
    return VERDICT_UNSURE;
}

/* Normal probability of low..high, kept exact in the far tails. */
static double normal_between(double low, double high, double mean, double spread)
{
    double a = (low - mean) / spread;
    double b = (high - mean) / spread;
    if (a > 0)
        return gsl_cdf_ugaussian_Q(a) - gsl_cdf_ugaussian_Q(b);
    return gsl_cdf_ugaussian_P(b) - gsl_cdf_ugaussian_P(a);
}

double conformity_probability(const struct limits *limits, double measured, double u)
{
    if (!(u > 0) || !(limits->low < limits->high))
        return NAN;
    return normal_between(limits->low, limits->high, measured, u);
}

double conformity_share(const struct limits *limits, const struct conformity_process *process)
{
    return conformity_probability(limits, process->mean, process->spread);
}

/* Probability that the true value lies in from..to and measures within the
 * acceptance limits: panels of Gauss-Legendre over the true value. */
static double accepted_between(const struct limits *limits,
                               const struct conformity_process *process, double from, double to)
{
    from = fmax(from, process->mean - reach * process->spread);
    to = fmin(to, process->mean + reach * process->spread);
    double low = limits->low + process->guard;
    double high = limits->high - process->guard;
    if (!(from < to) || !(low < high))
        return 0;
    gsl_integration_glfixed_table *rule = gsl_integration_glfixed_table_alloc(NODES);
    if (!rule)
        return NAN;
    double sum = 0;
    for (int panel = 0; panel < PANELS; panel++) {
        double left = from + (to - from) * panel / PANELS;
        double right = from + (to - from) * (panel + 1) / PANELS;
        for (size_t i = 0; i < NODES; i++) {
            double x = 0;
            double weight = 0;
            gsl_integration_glfixed_point(left, right, i, &x, &weight, rule);
            double z = (x - process->mean) / process->spread;
            sum += weight * exp(-0.5 * z * z) * normal_between(low, high, x, process->u);
        }
    }
    gsl_integration_glfixed_table_free(rule);
    return sum / (process->spread * sqrt(2 * M_PI));
}

static bool is_process(const struct limits *limits, const struct conformity_process *process)
{
    return process->spread > 0 && process->u > 0 && process->guard >= 0 &&
           limits->low < limits->high;
}

double conformity_consumer_risk(const struct limits *limits,
                                const struct conformity_process *process)
{
    if (!is_process(limits, process))
        return NAN;
    return accepted_between(limits, process, -INFINITY, limits->low) +
           accepted_between(limits, process, limits->high, INFINITY);
}

double conformity_producer_risk(const struct limits *limits,
                                const struct conformity_process *process)
{
    if (!is_process(limits, process))
        return NAN;
    return conformity_share(limits, process) -
           accepted_between(limits, process, limits->low, limits->high);
}
