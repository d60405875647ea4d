/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/fault.h"

#include "base/number.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

enum fault_name {
    FAULT_NONE,
    FAULT_STALL,
    FAULT_LOW,
    FAULT_HIGH,
    FAULT_RESTART,
    FAULT_SHORT,
    FAULT_OPEN,
    FAULT_REVERSED,
    FAULT_NO_WAKE,
    FAULT_LATE,
    FAULT_MISSING,
    FAULT_LEAKAGE,
    FAULT_JOINT,
    FAULT_UNSTEADY,
};

static const struct {
    const char *word;
    enum fault_name name;
    int numbers;
    bool phase_first;
    double low, high; /* of the last number that is no phase */
    const char *expected;
} known[] = {
    {"none", FAULT_NONE, 0, false, 0, 0, "none"},
    {"stall", FAULT_STALL, 1, true, 0, 0, "stall:PHASE"},
    {"low", FAULT_LOW, 1, false, 0.1, 100, "low:PERCENT"},
    {"high", FAULT_HIGH, 1, false, 0.1, 1000, "high:PERCENT"},
    {"restart", FAULT_RESTART, 1, false, 0.01, 1000, "restart:SECONDS"},
    {"short", FAULT_SHORT, 0, false, 0, 0, "short"},
    {"open", FAULT_OPEN, 0, false, 0, 0, "open"},
    {"reversed", FAULT_REVERSED, 0, false, 0, 0, "reversed"},
    {"no-wake", FAULT_NO_WAKE, 0, false, 0, 0, "no-wake"},
    {"late", FAULT_LATE, 2, true, 0.01, 1000, "late:PHASE:FACTOR"},
    {"missing", FAULT_MISSING, 1, true, 0, 0, "missing:PHASE"},
    {"leakage", FAULT_LEAKAGE, 1, false, 1e-5, 100, "leakage:AMPERES"},
    {"joint", FAULT_JOINT, 1, false, -40, 125, "joint:CELSIUS"},
    {"unsteady", FAULT_UNSTEADY, 1, false, 0.1, 100, "unsteady:PERCENT"},
};

static int bad(struct error *error, const char *text, const char *expected)
{
    return error_set(error, EXIT_BAD_DATA, "fault", 0, expected, "found \"%s\"", text);
}

static void put(enum fault_name name, int phase, double number, struct fault *fault)
{
    switch (name) {
    case FAULT_NONE:
        break;
    case FAULT_STALL:
        fault->stall_phase = phase;
        break;
    case FAULT_LOW:
        fault->final_scale = 1 - number / 100;
        break;
    case FAULT_HIGH:
        fault->final_scale = 1 + number / 100;
        break;
    case FAULT_RESTART:
        fault->restart_s = number;
        break;
    case FAULT_SHORT:
        fault->short_circuit = true;
        break;
    case FAULT_OPEN:
        fault->open_feed = true;
        break;
    case FAULT_REVERSED:
        fault->reversed = true;
        break;
    case FAULT_NO_WAKE:
        fault->no_wake = true;
        break;
    case FAULT_LATE:
        fault->late_phase = phase;
        fault->late_factor = number;
        break;
    case FAULT_MISSING:
        fault->missing_phase = phase;
        break;
    case FAULT_LEAKAGE:
        fault->leakage_A = number;
        break;
    case FAULT_JOINT:
        fault->joint = true;
        fault->joint_opens_C = number;
        break;
    case FAULT_UNSTEADY:
        fault->unsteady_share = number / 100;
        break;
    }
}

static int parse_one(char *text, int phase_count, struct fault *fault, struct error *error)
{
    char whole[80];
    snprintf(whole, sizeof whole, "%s", text);
    char *numbers[3] = {NULL};
    int count = 0;
    for (char *colon = strchr(text, ':'); colon && count < 3; colon = strchr(colon, ':')) {
        *colon++ = '\0';
        numbers[count++] = colon;
    }
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (strcmp(known[i].word, text) != 0)
            continue;
        if (count != known[i].numbers)
            return bad(error, whole, known[i].expected);
        int phase = 0;
        double number = 0;
        for (int n = 0; n < count; n++) {
            if (!number_parse_whole(numbers[n], &number))
                return bad(error, whole, known[i].expected);
            if (n == 0 && known[i].phase_first) {
                if (!(number >= 1 && number <= phase_count) || number != floor(number)) {
                    char expected[120];
                    snprintf(expected, sizeof expected, "%s with a phase from 1 to %d",
                             known[i].expected, phase_count);
                    return bad(error, whole, expected);
                }
                phase = (int)number;
            } else if (!(number >= known[i].low && number <= known[i].high)) {
                char expected[120];
                snprintf(expected, sizeof expected, "%s with a number from %g to %g",
                         known[i].expected, known[i].low, known[i].high);
                return bad(error, whole, expected);
            }
        }
        put(known[i].name, phase, number, fault);
        return 0;
    }
    return bad(error, whole,
               "none, stall:PHASE, low:PERCENT, high:PERCENT, restart:SECONDS, short, open, "
               "reversed, no-wake, late:PHASE:FACTOR, missing:PHASE, leakage:AMPERES, "
               "joint:CELSIUS or unsteady:PERCENT");
}

int fault_parse(const char *text, int phase_count, struct fault *fault, struct error *error)
{
    struct fault found = {.final_scale = 1};
    char copy[200];
    if ((size_t)snprintf(copy, sizeof copy, "%s", text) >= sizeof copy)
        return bad(error, "a text of 200 characters or more", "a fault");
    char *rest = copy;
    for (char *plus = copy; plus; rest = plus) {
        plus = strchr(rest, '+');
        if (plus)
            *plus++ = '\0';
        if (parse_one(rest, phase_count, &found, error) != 0)
            return -1;
    }
    *fault = found;
    return 0;
}
