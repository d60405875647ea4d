/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Conformity with limits where the measurement is uncertain (JCGM 106:2012):
 * guard bands, the probability of conforming, and the two risks of a rule.
 * Limits may be infinite. NAN where arguments are out of range.
 */
#ifndef WAKEDRAW_VERDICT_CONFORMITY_H
#define WAKEDRAW_VERDICT_CONFORMITY_H

#include "verdict/judge.h"

struct limits {
    double low, high; /* -INFINITY, INFINITY: none on that side */
};

/* Good inside the limits drawn in by the guard, bad outside the limits let out
 * by it, unsure between. */
enum verdict_kind conformity_decide(const struct limits *limits, double measured, double guard);

/* Probability that the true value lies within the limits, given a value measured
 * with standard uncertainty u (normal) and nothing known before. */
double conformity_probability(const struct limits *limits, double measured, double u);

/* What is known of a process: true values are normal (mean, spread), measured
 * with u; accepted is what measures within the limits drawn in by the guard. */
struct conformity_process {
    double mean, spread, u, guard;
};

/* Share of what conforms at all; accepted though it does not conform; rejected
 * though it does. */
double conformity_share(const struct limits *limits, const struct conformity_process *process);
double conformity_consumer_risk(const struct limits *limits,
                                const struct conformity_process *process);
double conformity_producer_risk(const struct limits *limits,
                                const struct conformity_process *process);

#endif
