/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The daily check of a supply and its leads: what it reads with nothing connected,
 * what known resistors draw, what a check standard draws. One check is held against
 * what the supply states of itself; the row of checks against the bench's own
 * first ones, on control charts (NIST/SEMATECH e-Handbook 6.3.2: EWMA with weight
 * 0.2 and limits at 3 sigma, CUSUM with k = 0.5 and h = 5 sigma, both widened for a
 * centre that rests on CHECK_BASELINE values). Pure.
 */
#ifndef WAKEDRAW_TREND_BENCH_CHECK_H
#define WAKEDRAW_TREND_BENCH_CHECK_H

#include "base/accuracy.h"
#include "trend/control_chart.h"

#include <stdbool.h>
#include <stddef.h>

enum checked_kind { CHECKED_ZERO, CHECKED_RESISTOR, CHECKED_STANDARD };

/* One thing measured in one check. */
struct checked {
    enum checked_kind kind;
    double current_A;  /* mean as read */
    double voltage_V;  /* mean as read, for a resistor; else ignored */
    double ohm;        /* a resistor's; above 0 */
    double tolerance;  /* a resistor's, share; 0.01 is 1 % */
    double leads_ohm;  /* of the lead set, where voltage is not sensed at the resistor; 0 */
    double expected_A; /* the check standard's; NAN: not known yet */
};

/* What it ought to be, and how far from it the supply's statement and the resistor's
 * tolerance let it be. NAN where nothing is known (a check standard without history:
 * charted alone). */
struct checked_limits {
    double expected_A, allowed_A;
};

struct checked_limits checked_limits(const struct checked *checked,
                                     const struct accuracy *accuracy);

/* Within its limits, or nothing is known to hold it against. */
bool checked_passes(const struct checked *checked, const struct accuracy *accuracy);

/* What is charted: a zero in amperes; a resistor as the share by which the current
 * misses V / R; a standard as the natural logarithm of its draw. */
double checked_charted(const struct checked *checked);

enum { CHECK_BASELINE = 7 };

struct check_point {
    double value;
    double ewma, ewma_low, ewma_high; /* NAN while the baseline is being laid */
    double cusum_high, cusum_low;
    enum chart_state state; /* of either chart */
};

struct check_chart {
    double centre, sigma; /* of the first CHECK_BASELINE values; NAN before */
    bool settled;         /* the baseline is complete */
};

/* Charts a row of values of one thing, oldest first; `floor` is the standard
 * deviation that the readback's step brings, in the values' unit (chart_sigma). */
struct check_chart check_chart_lay(const double *values, size_t count, double floor,
                                   struct check_point *points);

/* What a signal means, from which of the things moved. */
enum check_finding {
    CHECK_STEADY,
    CHECK_OFFSET_MOVED,   /* zero and resistors: the supply's offset */
    CHECK_GAIN_MOVED,     /* resistors alone: the supply's gain, or its voltage readback */
    CHECK_ZERO_MOVED,     /* zero alone: something is left connected, or leakage */
    CHECK_STANDARD_MOVED, /* the standard alone: that unit, or its temperature */
};

enum check_finding check_finding_of(bool zero_moved, bool resistors_moved, bool standard_moved);

/* One sentence for a technician; "" for CHECK_STEADY. */
const char *check_finding_text(enum check_finding finding);

enum check_state { CHECK_NEVER, CHECK_VERIFIED, CHECK_OVERDUE, CHECK_FAILED };

/* age_s since the last check (NAN: there was none). */
enum check_state check_state_of(bool passed, double age_s, double due_after_s);
const char *check_state_name(enum check_state state); /* "never", "verified", ... */

#endif
