/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/tolerance.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_sf_gamma.h>
#include <math.h>
#include <stdbool.h>

enum { PANELS = 400, HALVINGS = 200 };

struct task {
    double n, df, share, factor, delta;
};

static double integrate(double (*function)(double, void *), void *task, double from, double to)
{
    gsl_integration_workspace *room = gsl_integration_workspace_alloc(PANELS);
    if (!room)
        return NAN;
    gsl_function integrand = {function, task};
    double result = NAN;
    double error = 0;
    gsl_integration_qag(&integrand, from, to, 1e-12, 1e-10, PANELS, GSL_INTEG_GAUSS61, room,
                        &result, &error);
    gsl_integration_workspace_free(room);
    return result;
}

/* Density of s / sigma for df degrees of freedom. */
static double deviation_density(double x, double df)
{
    if (x <= 0)
        return df > 1 ? 0 : sqrt(2 / M_PI);
    return exp(0.5 * df * log(0.5 * df) - gsl_sf_lngamma(0.5 * df) + M_LN2 + (df - 1) * log(x) -
               0.5 * df * x * x);
}

static double noncentral_integrand(double x, void *data)
{
    const struct task *task = data;
    return gsl_cdf_ugaussian_P(task->factor * x - task->delta) * deviation_density(x, task->df);
}

double noncentral_t_below(double t, double df, double delta)
{
    if (!(df >= 1))
        return NAN;
    struct task task = {.df = df, .factor = t, .delta = delta};
    double width = 12 / sqrt(2 * df);
    double from = fmax(0, 1 - width);
    return integrate(noncentral_integrand, &task, from, 1) +
           integrate(noncentral_integrand, &task, 1, 1 + width);
}

/* R with Phi(z + R) - Phi(z - R) = share. */
static double half_width(double z, double share)
{
    double low = 0;
    double high = fabs(z) + 12;
    for (int i = 0; i < HALVINGS && high - low > 1e-15 * high; i++) {
        double middle = 0.5 * (low + high);
        double held = gsl_cdf_ugaussian_P(z + middle) - gsl_cdf_ugaussian_P(z - middle);
        if (held < share)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

static double two_sided_integrand(double z, void *data)
{
    const struct task *task = data;
    double r = half_width(z, task->share);
    double density = sqrt(task->n / (2 * M_PI)) * exp(-0.5 * task->n * z * z);
    return 2 * density *
           gsl_cdf_chisq_Q(task->df * r * r / (task->factor * task->factor), task->df);
}

static bool in_range(double n, double df, double share, double confidence)
{
    return n >= 2 && df >= 1 && share > 0 && share < 1 && confidence > 0 && confidence < 1;
}

double tolerance_two_sided(double n, double df, double share, double confidence)
{
    if (!in_range(n, df, share, confidence))
        return NAN;
    struct task task = {.n = n, .df = df, .share = share};
    double low = 0.01;
    double high = 4 * tolerance_howe(n, df, share, confidence);
    while (high - low > 1e-9 * high) {
        task.factor = 0.5 * (low + high);
        double held = integrate(two_sided_integrand, &task, 0, 9 / sqrt(n));
        if (held < confidence)
            low = task.factor;
        else
            high = task.factor;
    }
    return 0.5 * (low + high);
}

double tolerance_one_sided(double n, double df, double share, double confidence)
{
    if (!in_range(n, df, share, confidence))
        return NAN;
    double delta = gsl_cdf_ugaussian_Pinv(share) * sqrt(n);
    double low = delta - 50;
    double high = fabs(delta) + 10;
    while (noncentral_t_below(high, df, delta) < confidence)
        high *= 2;
    while (high - low > 1e-10 * fabs(high)) {
        double middle = 0.5 * (low + high);
        if (noncentral_t_below(middle, df, delta) < confidence)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high) / sqrt(n);
}

double tolerance_howe(double n, double df, double share, double confidence)
{
    if (!in_range(n, df, share, confidence))
        return NAN;
    double z = gsl_cdf_ugaussian_Pinv(0.5 * (1 + share));
    return z * sqrt(df * (1 + 1 / n) / gsl_cdf_chisq_Pinv(1 - confidence, df));
}
