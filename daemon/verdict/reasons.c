/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/reasons.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    char unit;
    const char *details; /* [common practice]; NULL: none */
} codes[] = {
    [REASON_NO_DRAW] = {"no_draw", 'A',
                        "Common causes: open feed or ground, blown fuse, ignition feed missing. "
                        "Measure next: battery feed (30), ignition feed (15) and ground (31) at "
                        "the connector. [common practice]"},
    [REASON_AT_LIMIT] = {"at_limit", 'A',
                         "Common causes: shorted transient suppressor, diode or ceramic capacitor; "
                         "or the limit is set too low. Measure next: power off, ohms from feed to "
                         "ground, then a thermal view. [common practice]"},
    [REASON_REVERSED] = {"reversed", 'A',
                         "Common cause: reversed leads, the reverse-polarity diode conducts. Stop "
                         "and check the polarity at the connector. [common practice]"},
    [REASON_NO_WAKE] = {"no_wake", 'A',
                        "Common causes: no wake signal, a regulator that stays off. Measure next: "
                        "wake and enable pins, the supply rails. [common practice]"},
    [REASON_LOW_FINAL] = {"low_final", 'A',
                          "Stable and low: the processor or a load is likely not running (reset, "
                          "clock, core rail, open ball, firmware). Measure next: rails, reset, "
                          "clock, bus. [common practice]"},
    [REASON_HIGH_FINAL] = {"high_final", 'A',
                           "Stable and high: leaky capacitor, shorted driver or sensor rail. "
                           "Measure next: thermal view, loads rail by rail. [common practice]"},
    [REASON_LATE] = {"late", 's',
                     "Late steps: memory retries or a weak rail. Measure next: durations, ripple "
                     "of the rails. [common practice]"},
    [REASON_EARLY] = {"early", 's',
                      "Early steps: a boot step skipped or cut short, another firmware or set-up. "
                      "Check revision and set-up, then the bus. [common practice]"},
    [REASON_STALLED] = {"stalled", 's',
                        "It stays in one boot step: the processor is likely not running on (reset, "
                        "clock, core rail, open ball, firmware). Measure next: rails, reset, "
                        "clock, bus. [common practice]"},
    [REASON_MISSING_PHASE] = {"missing_phase", 'A',
                              "A boot step is skipped: a load that never starts, another firmware "
                              "or set-up. Check revision and set-up, then that step's load. "
                              "[common practice]"},
    [REASON_EXTRA_PHASE] = {"extra_phase", 'A',
                            "Extra steps: memory retries, a weak rail, a load that should not run. "
                            "Measure next: durations, ripple, loads rail by rail. "
                            "[common practice]"},
    [REASON_RESTARTS] = {"restarts", 'A',
                         "Restarts: watchdog, brown-out, or the current limit is too low. Raise "
                         "the limit within its rating; measure the reset pin. [common practice]"},
    [REASON_UNSTEADY] = {"unsteady", 'A',
                         "Unsteady draw: poor contact, a regulator that oscillates or a load that "
                         "retries. Measure next: ripple of the rails, connectors. "
                         "[common practice]"},
    [REASON_LEAKAGE] = {"leakage", 'A',
                        "More draw by the same amount throughout: leaky capacitor, damaged driver "
                        "or moisture. Measure next: resting draw, thermal view. "
                        "[common practice]"},
    [REASON_INTERMITTENT] = {"intermittent", 'A',
                             "The draw falls off: a cracked joint or a poor contact. Apply mild "
                             "heat, repeat the power-up, 30 cycles with a fixed off-time. "
                             "[common practice]"},
    [REASON_OUTSIDE_VOLTAGE] = {"outside_voltage", 'V', NULL},
    [REASON_CANNOT_RESOLVE] = {"cannot_resolve", 'A', NULL},
    [REASON_INCOMPLETE] = {"incomplete", 's', NULL},
    [REASON_NO_ONSET] = {"no_onset", 'A', NULL},
    [REASON_NO_REFERENCE] = {"no_reference", 'A', NULL},
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
                            .needed_A = NAN,
                            .voltage_V = NAN,
                            .watch_s = NAN,
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

/* A level off: "settles at 0.31 A where this type settles at ...". */
static void say_level(struct words *words, const struct finding *f)
{
    bool last = f->phase < 0 || f->phase + 1 == f->phase_count;
    if (last) {
        say(words, "settles at ");
    } else {
        say_phase(words, f);
        say(words, " draws ");
    }
    say_value(words, f->measured, 'A');
    say_limits(words, f, last ? ", where this type settles at " : ", where this type draws ");
    say(words, f->code == REASON_LOW_FINAL ? ": too low" : ": too high");
}

static void say_duration(struct words *words, const struct finding *f)
{
    say_phase(words, f);
    if (f->code == REASON_STALLED)
        say(words, " has not ended after ");
    else if (f->steady)
        say(words, " is late or has stopped: it goes on after ");
    else
        say(words, f->code == REASON_LATE ? " ends late, after " : " ends early, after ");
    say_value(words, f->measured, 's');
    say_limits(words, f, ", where this type takes ");
    if (f->code != REASON_STALLED)
        return;
    say(words, ": it stops");
    if (!isnan(f->draw_A)) {
        say(words, " at ");
        say_value(words, f->draw_A, 'A');
    }
    say(words, ", or is late");
}

static void say_resolution(struct words *words, const struct finding *f)
{
    say(words, "this supply cannot decide ");
    if (f->phase >= 0)
        say_phase(words, f);
    else
        say(words, "the final draw");
    say(words, ": %.3g %% of ", 100 * f->share);
    say_value(words, f->measured, 'A');
    say(words, " is ");
    say_value(words, f->share * f->measured, 'A');
    if (f->resolution_A > 0) {
        say(words, ", and it reads back in steps of ");
        say_value(words, f->resolution_A, 'A');
    }
    if (f->needed_A > 0) {
        say(words, "; steps of ");
        say_value(words, f->needed_A, 'A');
        say(words, " or finer would do");
    } else if (!f->note) {
        say(words, "; one more known-good unit would narrow the limits");
    }
}

static void say_incomplete(struct words *words, const struct finding *f)
{
    say(words, "the record ends ");
    say_value(words, f->measured, 's');
    say(words, " after onset, before the watch time of ");
    say_value(words, f->watch_s, 's');
    if (f->watch_s > f->measured) {
        say(words, ": let it run ");
        say_value(words, f->watch_s - f->measured, 's');
        say(words, " longer");
    }
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
        say(words, ": set the voltage and repeat");
        break;
    case REASON_NO_ONSET:
        say(words, "no power-up in this record: neither output, voltage nor draw rises; record "
                   "from before output on");
        break;
    case REASON_NO_REFERENCE:
        say(words, "no reference for this module type: teach one from known-good units or state "
                   "a final range");
        break;
    default:
        say_pattern(words, f);
        break;
    }
    if (f->note)
        say(words, "; %s", f->note);
}

void reasons_add(struct verdict *verdict, const struct finding *finding)
{
    if (verdict->reason_count == VERDICT_MOST_REASONS)
        return;
    struct reason *reason = &verdict->reasons[verdict->reason_count++];
    struct words words = {{0}, 0};
    say_sentence(&words, finding);
    *reason = (struct reason){.code = finding->code,
                              .phase = finding->phase,
                              .measured = finding->measured,
                              .low = finding->low,
                              .high = finding->high};
    memcpy(reason->text, words.text, sizeof reason->text);
    const char *details = codes[finding->code].details;
    snprintf(reason->details, sizeof reason->details, "%s", details ? details : "");
}
