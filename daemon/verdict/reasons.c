/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/reasons.h"

#include "verdict/failure_pattern.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* Of a text of the user's within a sentence; the whole one stands beside it. */
enum { SAID_MOST = 44 };

static const struct {
    const char *name;
    char unit;
} codes[] = {
    [REASON_NO_DRAW] = {"no_draw", 'A'},
    [REASON_AT_LIMIT] = {"at_limit", 'A'},
    [REASON_REVERSED] = {"reversed", 'A'},
    [REASON_NO_WAKE] = {"no_wake", 'A'},
    [REASON_LOW_FINAL] = {"low_final", 'A'},
    [REASON_HIGH_FINAL] = {"high_final", 'A'},
    [REASON_LATE] = {"late", 's'},
    [REASON_EARLY] = {"early", 's'},
    [REASON_STALLED] = {"stalled", 's'},
    [REASON_MISSING_PHASE] = {"missing_phase", 'A'},
    [REASON_EXTRA_PHASE] = {"extra_phase", 'A'},
    [REASON_RESTARTS] = {"restarts", 'A'},
    [REASON_UNSTEADY] = {"unsteady", 'A'},
    [REASON_LEAKAGE] = {"leakage", 'A'},
    [REASON_INTERMITTENT] = {"intermittent", 'A'},
    [REASON_OUTSIDE_VOLTAGE] = {"outside_voltage", 'V'},
    [REASON_CANNOT_RESOLVE] = {"cannot_resolve", 'A'},
    [REASON_INCOMPLETE] = {"incomplete", 's'},
    [REASON_NO_ONSET] = {"no_onset", 'A'},
    [REASON_NO_REFERENCE] = {"no_reference", 'A'},
    [REASON_OTHER_FEEDS] = {"other_feeds", 'A'},
    [REASON_OTHER_REVISION] = {"other_revision", 'A'},
    [REASON_OTHER_SET_UP] = {"other_set_up", 'A'},
    [REASON_UNDER_HEAT] = {"under_heat", 'A'},
};

const char *reason_code_name(enum reason_code code)
{
    return codes[code].name;
}

char reason_code_unit(enum reason_code code)
{
    return codes[code].unit;
}

const char *verdict_kind_name(enum verdict_kind kind)
{
    static const char *const names[] = {"good", "bad", "unsure"};
    return names[kind];
}

struct finding finding_of(enum reason_code code)
{
    return (struct finding){.code = code,
                            .phase = -1,
                            .measured = NAN,
                            .low = NAN,
                            .high = NAN,
                            .at_s = NAN,
                            .share = NAN,
                            .resolution_A = NAN,
                            .smallest = NAN,
                            .spread = NAN,
                            .u = NAN,
                            .voltage_V = NAN,
                            .watch_s = NAN,
                            .allowed = NAN,
                            .draw_A = NAN};
}

struct words {
    char text[360];
    size_t used;
};

static void say(struct words *words, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void say(struct words *words, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int length =
        vsnprintf(words->text + words->used, sizeof words->text - words->used, format, arguments);
    va_end(arguments);
    if (length > 0)
        words->used += (size_t)length;
    if (words->used >= sizeof words->text)
        words->used = sizeof words->text - 1;
}

/* Three figures, with a trailing zero kept: 0.310 A, 1.23 A, 15.0 mA. */
static void say_value(struct words *words, double value, char unit)
{
    double size = fabs(value);
    if (unit == 'A' && size < 0.0995) {
        double milli = 1000 * value;
        say(words, "%.*f mA", fabs(milli) < 9.95 ? 2 : 1, milli);
    } else if (unit == 's' && size < 0.0995) {
        say(words, "%.1f ms", 1000 * value);
    } else {
        say(words, "%.*f %c", size < 0.995 ? 3 : size < 9.95 ? 2 : 1, value, unit);
    }
}

static void say_limits(struct words *words, const struct finding *f, const char *before)
{
    if (isnan(f->low) && isnan(f->high))
        return;
    char unit = reason_code_unit(f->code);
    say(words, "%s", before);
    if (isnan(f->low)) {
        say(words, "at most ");
        say_value(words, f->high, unit);
    } else if (isnan(f->high)) {
        say(words, "at least ");
        say_value(words, f->low, unit);
    } else {
        say_value(words, f->low, unit);
        say(words, " to ");
        say_value(words, f->high, unit);
    }
}

static void say_phase(struct words *words, const struct finding *f)
{
    if (f->phase < 0)
        return;
    if (f->phase_count > 0)
        say(words, "phase %d of %d", f->phase + 1, f->phase_count);
    else
        say(words, "phase %d", f->phase + 1);
}

static void say_at(struct words *words, const struct finding *f)
{
    if (isnan(f->at_s))
        return;
    say(words, " ");
    say_value(words, f->at_s, 's');
    say(words, " after onset");
}

static void say_percent(struct words *words, double log_share)
{
    say(words, "%.2g %%", 100 * fabs(expm1(log_share)));
}

/* By how much it lies outside the limits that decided. */
static void say_beyond(struct words *words, const struct finding *f, const char *low,
                       const char *high)
{
    bool below = f->measured < f->low;
    double by = below ? f->low - f->measured : f->measured - f->high;
    say(words, ": ");
    if (by > 0) {
        say_value(words, by, reason_code_unit(f->code));
        say(words, " ");
    }
    say(words, "%s", below ? low : high);
}

static const char *of_whom(const struct finding *f, bool last)
{
    if (f->basis == LIMITS_OF_UNIT)
        return ", where its other phases foretell ";
    return last ? ", where this type settles at " : ", where this type draws ";
}

/* A level off: "settles at 0.31 A, where this type settles at ...". */
static void say_level(struct words *words, const struct finding *f)
{
    bool last = f->phase < 0 || f->phase + 1 == f->phase_count;
    bool low = f->code == REASON_LOW_FINAL;
    if (f->basis == LIMITS_OF_ALL) {
        say(words, "all phases together draw ");
        say_percent(words, f->share);
        say(words, " %s than this type's, where ", low ? "less" : "more");
        say_percent(words, low ? -f->allowed : f->allowed);
        say(words, " is the most: it ");
    }
    if (last) {
        say(words, "settles at ");
    } else {
        say_phase(words, f);
        say(words, " draws ");
    }
    say_value(words, f->measured, 'A');
    say_limits(words, f, of_whom(f, last));
    if (f->basis != LIMITS_OF_ALL)
        say_beyond(words, f, "too low", "too high");
}

static void say_duration(struct words *words, const struct finding *f)
{
    if (f->elsewhere) {
        say_phase(words, f);
        say(words,
            f->code == REASON_EARLY ? " runs ahead: after " : " lags or stands still: after ");
        say_value(words, f->measured, 's');
        say(words, " it draws ");
        say_value(words, f->draw_A, 'A');
        say_limits(words, f, ", which this type draws at ");
        return;
    }
    if (f->code == REASON_STALLED) {
        say(words, "has not left ");
        say_phase(words, f);
        say(words, " after ");
        say_value(words, f->measured, 's');
        say(words, ", where this type takes ");
        if (f->high > 0) {
            say(words, "at most ");
            say_value(words, f->high, 's');
        }
        say(words, f->awake ? ": it goes to sleep late or never" : ": late or stalled");
        if (!isnan(f->draw_A)) {
            say(words, " at ");
            say_value(words, f->draw_A, 'A');
        }
        say(words, "; reading on will tell");
        return;
    }
    say_phase(words, f);
    say(words, f->code == REASON_LATE ? " ends late, after " : " ends early, after ");
    say_value(words, f->measured, 's');
    say_limits(words, f, ", where this type takes ");
}

static void say_smallest(struct words *words, const struct finding *f)
{
    say(words, ": %.3g %% of ", 100 * f->smallest);
    say_value(words, f->measured, 'A');
    say(words, " is ");
    say_value(words, f->smallest * f->measured, 'A');
}

/* What stands in the way: the readback, the spread of units, or where it lies. */
static void say_resolution(struct words *words, const struct finding *f)
{
    double fault = -log1p(-f->smallest);
    double whole = hypot(f->spread, f->u);
    bool near = fault > 3.8 * whole;
    if (near) {
        say_phase(words, f);
        say(words, " draws ");
        say_value(words, f->measured, 'A');
        say(words, ", ");
        say_percent(words, f->share);
        say(words, " from what its other phases foretell: ");
        if (fabs(f->share) > f->allowed) {
            say(words, "beyond the limit of ");
            say_percent(words, f->allowed);
            say(words, " by less than the measurement's own doubt");
        } else {
            say(words, "too near the smallest fault of %.3g %% to be good", 100 * f->smallest);
        }
    } else if (f->u >= f->spread) {
        say(words, "this supply cannot decide ");
        say_phase(words, f);
        say_smallest(words, f);
        if (f->resolution_A > 0) {
            say(words, ", and it reads back in steps of ");
            say_value(words, f->resolution_A, 'A');
        }
    } else {
        say(words, "this reference cannot decide ");
        say_phase(words, f);
        say_smallest(words, f);
        say(words, ", and units differ by %.2g %% (one standard deviation)", 100 * f->spread);
    }
}

static void say_incomplete(struct words *words, const struct finding *f)
{
    if (f->phase >= 0) {
        say(words, "still in ");
        say_phase(words, f);
        say(words, " at the end of the watch, ");
        say_value(words, f->measured, 's');
        say(words, " after onset");
        return;
    }
    say(words, "the record ends ");
    say_value(words, f->measured, 's');
    say(words, " after onset, before the watch time of ");
    say_value(words, f->watch_s, 's');
}

static void say_limit(struct words *words, const struct finding *f)
{
    if (f->code == REASON_REVERSED)
        say(words, "the supply is in current limit");
    else
        say(words, "the supply is in current limit at once");
    if (!isnan(f->measured)) {
        say(words, " at ");
        say_value(words, f->measured, 'A');
    }
    if (!isnan(f->voltage_V)) {
        say(words, " with ");
        say_value(words, f->voltage_V, 'V');
        say(words, " left");
    }
    say(words, f->code == REASON_REVERSED ? ": the leads are likely reversed"
                                          : ": a short, or the "
                                            "limit is too low");
}

static void say_stuck(struct words *words, const struct finding *f)
{
    say(words, "the pulses of ");
    if (f->phase >= 0)
        say_phase(words, f);
    else
        say(words, "the end");
    say(words, " have stopped: it stays at ");
    say_value(words, f->measured, 'A');
}

/* A type's draw swings smoothly; this one's does not, or at another pace. */
static void say_swing(struct words *words, const struct finding *f)
{
    if (f->phase >= 0)
        say_phase(words, f);
    else
        say(words, "the end");
    say(words, " swings otherwise: ");
    if (isnan(f->period_s)) {
        say(words, "by ");
        say_value(words, f->measured, 'A');
        say(words, " from crest to trough, where this type swings by at least ");
        say_value(words, f->low, 'A');
    } else {
        say(words, "every ");
        say_value(words, f->period_s, 's');
    }
    say(words, isnan(f->period_s) ? ", every " : ", where this type swings every ");
    say_value(words, f->usual_s, 's');
}

static void say_pattern(struct words *words, const struct finding *f)
{
    switch (f->code) {
    case REASON_NO_DRAW:
        say(words, "draws nothing: ");
        break;
    case REASON_NO_WAKE:
        say(words, "does not wake: it stays at ");
        break;
    case REASON_MISSING_PHASE:
        say_phase(words, f);
        say(words, " is missing: it draws ");
        break;
    case REASON_EXTRA_PHASE:
        say_phase(words, f);
        say(words, " is followed or broken by something else: it draws ");
        break;
    case REASON_RESTARTS:
        say(words, "it restarts: ");
        if (f->phase >= 0) {
            say(words, "from ");
            say_phase(words, f);
            say(words, " ");
        }
        say(words, "it falls back to ");
        break;
    case REASON_UNSTEADY:
        if (f->of_swing) {
            say_swing(words, f);
            return;
        }
        if (f->stuck) {
            say_stuck(words, f);
            return;
        }
        say(words, "the draw is unsteady in ");
        if (f->phase >= 0)
            say_phase(words, f);
        else
            say(words, "the end");
        say(words, ": it swings to ");
        break;
    case REASON_LEAKAGE:
        say(words, f->phase < 0 ? "the resting draw before onset is " : "it leaks: it draws ");
        break;
    case REASON_INTERMITTENT:
        say(words, "the draw falls off in ");
        if (f->phase >= 0)
            say_phase(words, f);
        else
            say(words, "the end");
        say(words, ": it drops to ");
        break;
    default:
        break;
    }
    say_value(words, f->measured, 'A');
    say_at(words, f);
    say_limits(words, f, ", where this type draws ");
}

/* What the reference has and what is on the bench. */
static void say_differing(struct words *words, const struct finding *f)
{
    char taught[SAID_MOST];
    char on_bench[SAID_MOST];
    text_cut(f->taught, taught, sizeof taught);
    text_cut(f->on_bench, on_bench, sizeof on_bench);
    if (f->code == REASON_OTHER_FEEDS) {
        char taught_feeds[SAID_MOST + 4];
        char bench_feeds[SAID_MOST + 4];
        feeds_say_and(taught, taught_feeds, sizeof taught_feeds);
        feeds_say_and(on_bench, bench_feeds, sizeof bench_feeds);
        say(words, "this reference was taught with feeds %s live, the bench has %s", taught_feeds,
            bench_feeds);
    } else if (f->code == REASON_OTHER_REVISION)
        say(words, "this reference is of revision %s, on the bench is revision %s", taught,
            on_bench);
    else
        say(words, "this reference was taught in set-up \"%s\", on the bench it is \"%s\"", taught,
            on_bench);
}

static void say_sentence(struct words *words, const struct finding *f)
{
    switch (f->code) {
    case REASON_LOW_FINAL:
    case REASON_HIGH_FINAL:
        say_level(words, f);
        break;
    case REASON_LATE:
    case REASON_EARLY:
    case REASON_STALLED:
        say_duration(words, f);
        break;
    case REASON_AT_LIMIT:
    case REASON_REVERSED:
        say_limit(words, f);
        break;
    case REASON_CANNOT_RESOLVE:
        say_resolution(words, f);
        break;
    case REASON_INCOMPLETE:
        say_incomplete(words, f);
        break;
    case REASON_OUTSIDE_VOLTAGE:
        say(words, "the supply reads back ");
        say_value(words, f->measured, 'V');
        say_limits(words, f, ", and this reference compares at ");
        break;
    case REASON_NO_ONSET:
        say(words, "no power-up in this record: neither output, voltage nor draw rises");
        break;
    case REASON_NO_REFERENCE:
        say(words, "no reference for this module type");
        break;
    case REASON_OTHER_FEEDS:
    case REASON_OTHER_REVISION:
    case REASON_OTHER_SET_UP:
        say_differing(words, f);
        break;
    case REASON_UNDER_HEAT:
        say(words, "recovers under heat: a diagnosis, never good");
        break;
    default:
        say_pattern(words, f);
        break;
    }
    if (f->note)
        say(words, "; %s", f->note);
}

static double beyond_limits(double measured, double low, double high)
{
    if (measured < low)
        return low - measured;
    return measured > high ? measured - high : (double)NAN;
}

static const struct failure_pattern *pattern_of(const struct finding *finding)
{
    if (finding->code == REASON_LEAKAGE && finding->phase < 0)
        return failure_pattern_at_rest();
    if (finding->code == REASON_STALLED && finding->awake && !finding->elsewhere)
        return failure_pattern_at_rest();
    return failure_pattern_of(finding->code);
}

void reasons_add(struct verdict *verdict, const struct finding *finding)
{
    if (verdict->reason_count == VERDICT_MOST_REASONS)
        return;
    struct reason *reason = &verdict->reasons[verdict->reason_count++];
    struct words words = {{0}, 0};
    say_sentence(&words, finding);
    if (verdict->reason_count == 1 && verdict->settle_count > 0)
        say(&words, "; %s", verdict->settles[0].text);
    *reason =
        (struct reason){.code = finding->code,
                        .phase = finding->phase,
                        .measured = finding->measured,
                        .low = finding->low,
                        .high = finding->high,
                        .beyond = beyond_limits(finding->measured, finding->low, finding->high),
                        .basis = finding->basis,
                        .pattern = pattern_of(finding)};
    text_cut(finding->taught ? finding->taught : "", reason->taught, sizeof reason->taught);
    text_cut(finding->on_bench ? finding->on_bench : "", reason->on_bench, sizeof reason->on_bench);
    memcpy(reason->text, words.text, sizeof reason->text);
    failure_pattern_say(reason->pattern, reason->details, sizeof reason->details);
}
