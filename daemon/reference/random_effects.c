/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/random_effects.h"

#include "reference/tolerance.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

static double square(double x)
{
    return x * x;
}

/* Mean of values less an origin near them, so that their common leading digits
 * cost nothing; twice, for what the first sum rounded off. */
static double mean_off(const double *values, size_t count, double origin)
{
    double mean = 0;
    for (int pass = 0; pass < 2; pass++) {
        double sum = 0;
        for (size_t i = 0; i < count; i++)
            sum += values[i] - origin - mean;
        mean += sum / (double)count;
    }
    return mean;
}

bool random_effects_split(const double *values, const size_t *sizes, size_t groups,
                          struct random_effects *effects)
{
    *effects = (struct random_effects){.groups = groups};
    double size_squares = 0;
    double inverse_sizes = 0;
    for (size_t g = 0; g < groups; g++) {
        if (sizes[g] == 0)
            return false;
        effects->values += sizes[g];
        size_squares += square((double)sizes[g]);
        inverse_sizes += 1 / (double)sizes[g];
    }
    if (groups == 0)
        return false;
    double origin = values[0];
    double count = (double)effects->values;
    double mean = mean_off(values, effects->values, origin);
    double of_means = 0;
    double means_squares = 0;
    size_t from = 0;
    for (size_t g = 0; g < groups; g++) {
        double own = mean_off(values + from, sizes[g], origin);
        effects->between_squares += (double)sizes[g] * square(own - mean);
        for (size_t i = 0; i < sizes[g]; i++)
            effects->within_squares += square(values[from + i] - origin - own);
        of_means += own / (double)groups;
        from += sizes[g];
    }
    from = 0;
    for (size_t g = 0; g < groups; from += sizes[g], g++)
        means_squares += square(mean_off(values + from, sizes[g], origin) - of_means);
    effects->mean = origin + mean;
    effects->mean_of_means = origin + of_means;
    effects->between_df = (double)groups - 1;
    effects->within_df = count - (double)groups;
    effects->harmonic_size = (double)groups / inverse_sizes;
    bool several = groups > 1;
    bool repeated = effects->within_df > 0;
    double nan = (double)NAN;
    effects->between_mean_square = several ? effects->between_squares / effects->between_df : nan;
    effects->within_mean_square = repeated ? effects->within_squares / effects->within_df : nan;
    effects->f = effects->between_mean_square / effects->within_mean_square;
    effects->effective_size = several ? (count - size_squares / count) / effects->between_df : nan;
    effects->means_square = several ? means_squares / effects->between_df : nan;
    effects->within2 = effects->within_mean_square;
    double within = repeated ? effects->within2 : 0;
    effects->between2 =
        several ? fmax(0, (effects->between_mean_square - within) / effects->effective_size) : nan;
    return true;
}

static bool is_complete(const struct random_effects *effects, double share, double confidence)
{
    return effects->groups > 1 && effects->within_mean_square > 0 && share > 0 && share < 1 &&
           confidence > 0 && confidence < 1;
}

/* How far the limit stands from the mean. */
static double basis_distance(const struct random_effects *effects, double share, double confidence)
{
    if (!is_complete(effects, share, confidence))
        return NAN;
    double n = effects->effective_size;
    double total =
        sqrt(effects->between_mean_square / n + (n - 1) / n * effects->within_mean_square);
    double u = fmax(1, effects->f);
    double w = sqrt(u / (u + n - 1));
    double count = (double)effects->values;
    double groups = (double)effects->groups;
    double as_one = tolerance_one_sided(count, count - 1, share, confidence);
    double as_means = tolerance_one_sided(groups, groups - 1, share, confidence);
    /* Without repeats the values are the groups themselves. */
    if (effects->values == effects->groups || n <= 1)
        return as_means * total;
    double factor = (as_one - as_means / sqrt(n) + (as_means - as_one) * w) / (1 - 1 / sqrt(n));
    return factor * total;
}

double basis_lower(const struct random_effects *effects, double share, double confidence)
{
    return effects->mean - basis_distance(effects, share, confidence);
}

double basis_upper(const struct random_effects *effects, double share, double confidence)
{
    return effects->mean + basis_distance(effects, share, confidence);
}

/* Confidence of the bound on the ratio of the components; Mee and Owen's
 * tables give these for the usual contents. */
static double ratio_confidence(double confidence)
{
    return confidence >= 0.985 ? 0.94 : confidence >= 0.925 ? 0.85 : 0.78;
}

static double mee_owen_distance(const struct random_effects *effects, double share,
                                double confidence)
{
    if (!is_complete(effects, share, confidence))
        return NAN;
    double n = effects->harmonic_size;
    double a = (double)effects->groups;
    double within_df = effects->within_df;
    double between = n * effects->means_square;
    double within = effects->within_mean_square;
    double quantile = gsl_cdf_fdist_Pinv(ratio_confidence(confidence), within_df, a - 1);
    double ratio = fmax(0, (between / within * quantile - 1) / n);
    double size = a * n * (ratio + 1) / (n * ratio + 1);
    double df = square(ratio + 1) / (square(ratio + 1 / n) / (a - 1) + (1 - 1 / n) / (a * n));
    double total = sqrt(between / n + (n - 1) / n * within);
    return tolerance_one_sided(size, df, share, confidence) * total;
}

double mee_owen_lower(const struct random_effects *effects, double share, double confidence)
{
    return effects->mean_of_means - mee_owen_distance(effects, share, confidence);
}

double mee_owen_upper(const struct random_effects *effects, double share, double confidence)
{
    return effects->mean_of_means + mee_owen_distance(effects, share, confidence);
}
