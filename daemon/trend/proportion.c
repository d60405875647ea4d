/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/proportion.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <limits.h>
#include <math.h>
#include <stdbool.h>

/* Tables as likely as the one seen differ in their last digits only. */
static const double as_likely = 1 + 1e-7;

enum { HALVINGS = 1100 };

static bool are_counts(unsigned failures, unsigned tries)
{
    return tries > 0 && failures <= tries;
}

static bool is_confidence(double confidence)
{
    return confidence > 0 && confidence < 1;
}

/* Where one tail of the beta distribution, the lower or the upper, is so much.
 * Found by halving: the library's own inverse does not always converge. */
static double beta_quantile(double tail, bool upper, double a, double b)
{
    double low = 0;
    double high = 1;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = 0.5 * (low + high);
        if (middle <= low || middle >= high)
            break;
        bool beyond =
            upper ? gsl_cdf_beta_Q(middle, a, b) < tail : gsl_cdf_beta_P(middle, a, b) > tail;
        if (beyond)
            high = middle;
        else
            low = middle;
    }
    return 0.5 * (low + high);
}

struct proportion_limits proportion_between(unsigned failures, unsigned tries, double confidence)
{
    double side = 1 - (1 - confidence) / 2;
    return (struct proportion_limits){proportion_at_least(failures, tries, side),
                                      proportion_at_most(failures, tries, side)};
}

double proportion_at_most(unsigned failures, unsigned tries, double confidence)
{
    if (!are_counts(failures, tries) || !is_confidence(confidence))
        return NAN;
    if (failures == tries)
        return 1;
    return failures == 0
               ? proportion_without_failure(tries, confidence)
               : beta_quantile(1 - confidence, true, failures + 1.0, (double)tries - failures);
}

double proportion_at_least(unsigned failures, unsigned tries, double confidence)
{
    if (!are_counts(failures, tries) || !is_confidence(confidence))
        return NAN;
    return failures == 0
               ? 0
               : beta_quantile(1 - confidence, false, failures, (double)tries - failures + 1);
}

double proportion_without_failure(unsigned tries, double confidence)
{
    if (tries == 0 || !is_confidence(confidence))
        return NAN;
    return -expm1(log1p(-confidence) / tries);
}

unsigned proportion_tries_for(double rate, double confidence)
{
    if (!(rate > 0 && rate < 1) || !is_confidence(confidence))
        return 0;
    double tries = ceil(log1p(-confidence) / log1p(-rate) * (1 - 1e-12));
    return tries < UINT_MAX ? (unsigned)fmax(tries, 1) : 0;
}

struct table {
    unsigned failures, whole, tries, other_tries; /* whole: failures of both */
    unsigned least, most;                         /* failures the first could have had */
};

static struct table table_of(unsigned failures, unsigned tries, unsigned other_failures,
                             unsigned other_tries)
{
    unsigned whole = failures + other_failures;
    return (struct table){.failures = failures,
                          .whole = whole,
                          .tries = tries,
                          .other_tries = other_tries,
                          .least = whole > other_tries ? whole - other_tries : 0,
                          .most = whole < tries ? whole : tries};
}

static double likelihood(const struct table *table, unsigned failures)
{
    return gsl_ran_hypergeometric_pdf(failures, table->tries, table->other_tries, table->whole);
}

double fisher_first_higher(unsigned failures, unsigned tries, unsigned other_failures,
                           unsigned other_tries)
{
    if (!are_counts(failures, tries) || !are_counts(other_failures, other_tries))
        return NAN;
    struct table table = table_of(failures, tries, other_failures, other_tries);
    double sum = 0;
    for (unsigned k = table.most + 1; k-- > failures;)
        sum += likelihood(&table, k);
    return fmin(sum, 1);
}

double fisher_two_sided(unsigned failures, unsigned tries, unsigned other_failures,
                        unsigned other_tries)
{
    if (!are_counts(failures, tries) || !are_counts(other_failures, other_tries))
        return NAN;
    struct table table = table_of(failures, tries, other_failures, other_tries);
    double bound = likelihood(&table, failures) * as_likely;
    double sum = 0;
    for (unsigned k = table.least; k <= table.most; k++) {
        double one = likelihood(&table, k);
        if (one <= bound)
            sum += one;
    }
    return fmin(sum, 1);
}
