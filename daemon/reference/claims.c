/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/claims.h"

#include "reference/compare.h"
#include "reference/spread.h"

#include <math.h>
#include <stdlib.h>

static double square(double x)
{
    return x * x;
}

static int claim_basis(struct reference *r)
{
    const char *assumed = r->level_common.prior_assumed ? "the stated default (assumed)"
                                                        : "other types of this shop (borrowed)";
    if (!reference_add_claim(r, "taught by %zu known-good unit%s and %d power-up%s: %zu phase%s",
                             r->unit_count, r->unit_count == 1 ? "" : "s", r->power_ups,
                             r->power_ups == 1 ? "" : "s", r->phase_count,
                             r->phase_count == 1 ? "" : "s"))
        return -1;
    if (r->unit_count == 1 &&
        !reference_add_claim(r, "one unit says nothing of how units differ: the spread is %s",
                             assumed))
        return -1;
    if (!reference_add_claim(
            r,
            "a new unit's levels are expected within %.2g %% together and %.2g %% each (one "
            "standard deviation); the prior is %s, worth %.2g degrees of freedom",
            100 * r->level_common.predictive, 100 * r->level_own.predictive, assumed,
            r->level_common.prior_df))
        return -1;
    return 0;
}

static int claim_resolution(struct reference *r)
{
    double fault = -log(1 - r->smallest_level_fault);
    for (size_t p = 0; p < r->phase_count; p++) {
        const struct reference_phase *phase = &r->phases[p];
        double q = r->accuracy.current_resolution_A;
        double own = fmax(0, square(phase->noise_A) - q * q / 12);
        double bias = q > 0 ? q / (M_PI * M_SQRT2) * exp(-2 * square(M_PI) * own / (q * q)) : 0;
        double u = bias / fmax(fabs(phase->level_A), 1e-9);
        double whole =
            sqrt(square(r->level_own.predictive) + square(u) + square(phase->uncertainty));
        if (fault / whole >= 3.8)
            continue;
        if (!reference_add_claim(r,
                                 "phase %zu of %zu (%.3g A) cannot be told from a fault of %.3g %% "
                                 "by this supply, which reads back in steps of %.3g A",
                                 p + 1, r->phase_count, phase->level_A,
                                 100 * r->smallest_level_fault, q))
            return -1;
    }
    return 0;
}

static int claim_doubts(struct reference *r, const struct course *courses, size_t course_count)
{
    for (size_t i = 0; i < course_count; i++) {
        if (courses[i].follows)
            continue;
        if (!reference_add_claim(
                r,
                "doubt: known-good %s, power-up %zu, does not follow the phases of "
                "the others and was left out",
                r->units[courses[i].unit].unit, courses[i].power_up + 1))
            return -1;
    }
    return 0;
}

/* Leave one out: would this unit be called good by what the others teach? */
static int claim_outsiders(struct reference *r, const struct course *courses, size_t course_count)
{
    if (r->unit_count < 3)
        return 0;
    double n = (double)r->unit_count;
    double spread = sqrt(square(r->level_common.predictive) + square(r->level_own.predictive));
    for (size_t u = 0; u < r->unit_count; u++) {
        double worst = 0;
        size_t at = 0;
        for (size_t p = 0; p < r->phase_count; p++) {
            double sum = 0;
            double count = 0;
            double noise = 0;
            for (size_t i = 0; i < course_count; i++) {
                const struct course *c = &courses[i];
                if (c->unit != u || !c->follows || isnan(c->log_ratio[p]))
                    continue;
                sum += c->log_ratio[p];
                noise += square(c->log_ratio_u[p]);
                count++;
            }
            if (count == 0)
                continue;
            /* The others' mean is further away by n / (n - 1). */
            double away = fabs(sum / count) * n / (n - 1);
            double doubt = sqrt(square(spread) + noise / square(count));
            if (away / doubt > worst) {
                worst = away / doubt;
                at = p;
            }
        }
        if (worst < 3.5)
            continue;
        if (!reference_add_claim(r,
                                 "doubt: known-good %s departs from the others in phase %zu by "
                                 "%.2g standard deviations; is it good?",
                                 r->units[u].unit, at + 1, worst))
            return -1;
    }
    return 0;
}

static int claim_next_unit(struct reference *r)
{
    double n = (double)r->unit_count;
    double prior2 = square(r->level_common.prior_between);
    double seen2 = r->level_common.between_df > 0 ? square(r->level_common.between) : 0;
    double d0 = r->level_common.prior_df;
    double between2 = shrink_variance(seen2, r->level_common.between_df, prior2, d0);
    double now = level_limit_factor(d0 + n - 1) * sqrt(between2 * (1 + 1 / n));
    double next = level_limit_factor(d0 + n) * sqrt(between2 * (1 + 1 / (n + 1)));
    if (!reference_add_claim(r,
                             "one more known-good unit would narrow the limits of the levels "
                             "together from about %.2g %% to %.2g %%",
                             100 * now, 100 * next))
        return -1;
    return 0;
}

static int claim_range(struct reference *r)
{
    if (!r->has_range)
        return 0;
    double middle = 0.5 * (r->range_low_A + r->range_high_A);
    double s0 = 0.25 * (r->range_high_A - r->range_low_A);
    double s = r->level_common.predictive * fabs(r->final_expected_A);
    double doubt = sqrt(square(s0) + square(s) / (double)r->unit_count);
    bool apart = fabs(r->final_expected_A - middle) > 3 * doubt;
    if (!reference_add_claim(
            r,
            apart ? "doubt: the known-good units settle at %.3g A, against the stated range of "
                    "%.3g to %.3g A"
                  : "the known-good units settle at %.3g A, as the stated range of %.3g to %.3g A "
                    "says",
            r->final_expected_A, r->range_low_A, r->range_high_A))
        return -1;
    return 0;
}

int claims_make(struct reference *r, const struct course *courses, size_t course_count)
{
    if (claim_basis(r) != 0 || claim_resolution(r) != 0 ||
        claim_doubts(r, courses, course_count) != 0 ||
        claim_outsiders(r, courses, course_count) != 0 || claim_range(r) != 0 ||
        claim_next_unit(r) != 0)
        return -1;
    if (!isnan(r->voltage_low_V) && !reference_add_claim(r, "it compares at %.4g to %.4g V",
                                                         r->voltage_low_V, r->voltage_high_V))
        return -1;
    if (!reference_add_claim(r, "a normal draw does not exclude an open joint"))
        return -1;
    return 0;
}
