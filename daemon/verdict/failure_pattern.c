/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/failure_pattern.h"

#include <stdio.h>

static const struct failure_pattern patterns[] = {
    [REASON_NO_DRAW] = {"no draw", "open feed or ground, blown fuse, ignition feed missing",
                        "battery feed (30), ignition feed (15) and ground (31) at the connector"},
    [REASON_AT_LIMIT] = {"in limit at once, the voltage gone",
                         "shorted transient suppressor, diode or ceramic capacitor; or the limit "
                         "is set too low",
                         "power off, ohms from feed to ground, then a thermal view"},
    [REASON_REVERSED] = {"in limit, a diode's voltage left", "reversed leads",
                         "stop; the polarity at the connector"},
    [REASON_NO_WAKE] = {"a few milliamperes, no steps",
                        "no wake signal, a regulator that stays off",
                        "wake and enable pins, the supply rails"},
    [REASON_LOW_FINAL] = {"stable and low",
                          "processor or a load not running: reset, clock, core rail, open ball, "
                          "firmware",
                          "rails, reset, clock, bus"},
    [REASON_HIGH_FINAL] = {"stable and high", "leaky capacitor, shorted driver or sensor rail",
                           "thermal view, loads rail by rail"},
    [REASON_LATE] = {"a late step", "memory retries, a weak rail",
                     "durations, ripple of the rails"},
    [REASON_EARLY] = {"a step cut short", "a boot step skipped, another firmware or set-up",
                      "revision and set-up, then the bus"},
    [REASON_STALLED] = {"stays in one step",
                        "late: memory retries, a weak rail; stalled: processor not running on "
                        "(reset, clock, core rail, open ball, firmware)",
                        "durations and ripple, then rails, reset, clock, bus"},
    [REASON_MISSING_PHASE] = {"a step left out",
                              "a load that never starts, another firmware or set-up",
                              "revision and set-up, then that step's load"},
    [REASON_EXTRA_PHASE] = {"an extra step",
                            "memory retries, a weak rail, a load that should not run",
                            "durations, ripple, loads rail by rail"},
    [REASON_RESTARTS] = {"periodic restarts", "watchdog, brown-out, current limit too low",
                         "raise the limit within its rating; the reset pin"},
    [REASON_UNSTEADY] = {"unsteady draw",
                         "poor contact, a regulator that oscillates, a load that retries",
                         "ripple of the rails, connectors"},
    [REASON_LEAKAGE] = {"more draw by the same amount throughout",
                        "leaky capacitor, damaged driver, moisture", "resting draw, thermal view"},
    [REASON_INTERMITTENT] = {"falls off with heat or time", "cracked joint, poor contact",
                             "mild heat, repeat; 30 cycles with a fixed off-time"},
    [REASON_UNDER_HEAT] = {"runs while it is warm",
                           "open or cracked joint (a ball, a via, a crystal), a capacitor that "
                           "has lost value cold, a marginal part",
                           "let it cool, power it up cold; then heat part by part to find the "
                           "place, and rework it"},
};

static const struct failure_pattern two_kinds = {
    "two kinds across power-ups", "an intermittent joint or residual charge",
    "fix the off-time, then 30 cycles; mild heat or cold, repeat"};

static const struct failure_pattern at_rest = {
    "never sleeps", "stuck wake, leakage; often the bench: bus termination",
    "bus termination, then wake pins, thermal view"};

const struct failure_pattern *failure_pattern_of(enum reason_code code)
{
    return patterns[code].name ? &patterns[code] : NULL;
}

const struct failure_pattern *failure_pattern_two_kinds(void)
{
    return &two_kinds;
}

const struct failure_pattern *failure_pattern_at_rest(void)
{
    return &at_rest;
}

void failure_pattern_say(const struct failure_pattern *pattern, char *text, size_t size)
{
    if (!pattern) {
        text[0] = 0;
        return;
    }
    snprintf(text, size, "Pattern: %s. Common causes: %s. Measure next: %s. [common practice]",
             pattern->name, pattern->causes, pattern->measure_next);
}
