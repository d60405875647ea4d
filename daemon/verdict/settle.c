/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/settle.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Of a text of the user's within a sentence. */
enum { SAID_MOST = 36 };

static const struct {
    const char *name;
    const char *key; /* of the figure; NULL: a count, or low and high */
} codes[] = {
    [SETTLE_READ_ON] = {"read_on", "until_s"},
    [SETTLE_FROM_BEFORE] = {"record_from_before", "until_s"},
    [SETTLE_TEACH] = {"teach", NULL},
    [SETTLE_VOLTAGE] = {"voltage", NULL},
    [SETTLE_LIMIT] = {"current_limit", "limit_A"},
    [SETTLE_RESOLUTION] = {"resolution", "resolution_A"},
    [SETTLE_RESOLUTION_TAUGHT] = {"resolution_taught", "resolution_A"},
    [SETTLE_INTERVAL] = {"reading_interval", "interval_s"},
    [SETTLE_INTERVAL_TAUGHT] = {"reading_interval_taught", "interval_s"},
    [SETTLE_POWER_UPS] = {"power_ups", NULL},
    [SETTLE_KNOWN_GOODS] = {"known_good_units", NULL},
    [SETTLE_WATCH] = {"watch", "watch_s"},
    [SETTLE_FAULT] = {"smallest_fault", "share"},
    [SETTLE_RANGE] = {"range", NULL},
    [SETTLE_WITHOUT_FAILURE] = {"power_ups_without_failure", NULL},
    [SETTLE_AS_TAUGHT] = {"as_taught", NULL},
    [SETTLE_REFERENCE_FOR] = {"reference_for", NULL},
    [SETTLE_COLD] = {"cold", NULL},
};

const char *settle_code_name(enum settle_code code)
{
    return codes[code].name;
}

const char *settle_value_key(enum settle_code code)
{
    return codes[code].key;
}

struct settle settle_of(enum settle_code code)
{
    return (struct settle){.code = code, .value = NAN, .low = NAN, .high = NAN};
}

/* Three figures, cut to the side that still settles: what is said must suffice. */
static double cut(double value, bool up)
{
    if (!(value > 0))
        return value;
    double unit = pow(10, floor(log10(value)) - 2);
    return (up ? ceil(value / unit - 1e-9) : floor(value / unit + 1e-9)) * unit;
}

static void amperes(char *text, size_t size, double value)
{
    if (fabs(value) < 0.0995)
        snprintf(text, size, "%.3g mA", 1000 * value);
    else
        snprintf(text, size, "%.3g A", value);
}

static void seconds(char *text, size_t size, double value)
{
    if (fabs(value) < 0.0995)
        snprintf(text, size, "%.3g ms", 1000 * value);
    else
        snprintf(text, size, "%.3g s", value);
}

static const char *plural(int count)
{
    return count == 1 ? "" : "s";
}

static void say_value(const struct settle *s, char *text, size_t size)
{
    char figure[32];
    switch (s->code) {
    case SETTLE_READ_ON:
    case SETTLE_FROM_BEFORE:
    case SETTLE_WATCH:
    case SETTLE_INTERVAL:
    case SETTLE_INTERVAL_TAUGHT:
        seconds(figure, sizeof figure, s->value);
        break;
    case SETTLE_FAULT:
        snprintf(figure, sizeof figure, "%.3g %%", 100 * s->value);
        break;
    default:
        amperes(figure, sizeof figure, s->value);
        break;
    }
    static const char *const formats[] = {
        [SETTLE_READ_ON] = "let it run to %s after onset",
        [SETTLE_FROM_BEFORE] = "record from before output on to %s after it",
        [SETTLE_LIMIT] =
            "set the current limit to %s or more, within the type's rating, and repeat",
        [SETTLE_RESOLUTION] = "steps of %s or finer would do",
        [SETTLE_RESOLUTION_TAUGHT] =
            "a supply with steps of %s or finer would do, taught by it too",
        [SETTLE_INTERVAL] = "a reading every %s or faster would do",
        [SETTLE_INTERVAL_TAUGHT] = "a reading every %s or faster would do, taught so too",
        [SETTLE_WATCH] = "a watch of %s or more would do",
        [SETTLE_FAULT] = "a smallest fault of %s or more could be told",
    };
    /* The formats are the constants above. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
    snprintf(text, size, formats[s->code], figure);
#pragma GCC diagnostic pop
}

/* "feeds 30 and 15, revision B and set-up "bare board"", those that apply. */
static void say_conditions(const struct settle *settle, const char *feeds_are, char *text,
                           size_t size)
{
    char listed[SAID_MOST];
    char feeds[SAID_MOST + 4];
    char revision[SAID_MOST];
    char set_up[SAID_MOST];
    text_cut(settle->feeds, listed, sizeof listed);
    feeds_say_and(listed, feeds, sizeof feeds);
    text_cut(settle->revision, revision, sizeof revision);
    text_cut(settle->set_up, set_up, sizeof set_up);
    bool more = revision[0] && set_up[0];
    const char *behind_feeds = !feeds[0]                  ? ""
                               : more                     ? ", "
                               : revision[0] || set_up[0] ? " and "
                                                          : "";
    snprintf(text, size, "%s%s%s%s%s%s%s%s%s%s", feeds[0] ? "feeds " : "", feeds,
             feeds[0] ? feeds_are : "", behind_feeds, revision[0] ? "revision " : "", revision,
             more ? " and " : "", set_up[0] ? "set-up \"" : "", set_up, set_up[0] ? "\"" : "");
}

void settle_say(struct settle *settle)
{
    char conditions[180];
    char low[32];
    char high[32];
    char *text = settle->text;
    size_t size = sizeof settle->text;
    amperes(low, sizeof low, settle->low);
    amperes(high, sizeof high, settle->high);
    int count = settle->count;
    switch (settle->code) {
    case SETTLE_TEACH:
        snprintf(text, size, "teach a reference from %d known-good unit%s, or state a final range",
                 count, plural(count));
        break;
    case SETTLE_VOLTAGE:
        snprintf(text, size, "set %.4g to %.4g V and repeat", settle->low, settle->high);
        break;
    case SETTLE_POWER_UPS:
        snprintf(text, size, "%d more power-up%s of this unit like it, judged together, would do",
                 count, plural(count));
        break;
    case SETTLE_KNOWN_GOODS:
        snprintf(text, size, "%d more known-good unit%s would do, if alike the others", count,
                 plural(count));
        break;
    case SETTLE_RANGE:
        if (isnan(settle->high))
            snprintf(text, size, "a range that starts at %s or below would do", low);
        else
            snprintf(text, size, "a range that ends at %s or above would do", high);
        break;
    case SETTLE_WITHOUT_FAILURE:
        snprintf(text, size, "%d more power-up%s of one kind, or one more of the other, would tell",
                 count, plural(count));
        break;
    case SETTLE_AS_TAUGHT:
        say_conditions(settle, " live", conditions, sizeof conditions);
        snprintf(text, size, "repeat with %s, as taught", conditions);
        break;
    case SETTLE_REFERENCE_FOR:
        say_conditions(settle, "", conditions, sizeof conditions);
        snprintf(text, size, "a reference for %s would do", conditions);
        break;
    case SETTLE_COLD:
        snprintf(text, size, "a power-up cold would tell");
        break;
    default:
        say_value(settle, text, size);
        break;
    }
}

static bool is_at_least(enum settle_code code)
{
    return code == SETTLE_READ_ON || code == SETTLE_FROM_BEFORE || code == SETTLE_WATCH ||
           code == SETTLE_LIMIT || code == SETTLE_FAULT;
}

void settle_add(struct verdict *verdict, struct settle settle)
{
    if (verdict->settle_count == VERDICT_MOST_SETTLES)
        return;
    settle.value = cut(settle.value, is_at_least(settle.code));
    settle_say(&settle);
    verdict->settles[verdict->settle_count++] = settle;
}

void settle_add_value(struct verdict *verdict, enum settle_code code, double value)
{
    if (isnan(value))
        return;
    struct settle settle = settle_of(code);
    settle.value = value;
    settle_add(verdict, settle);
}

void settle_add_count(struct verdict *verdict, enum settle_code code, int count)
{
    if (count < 1)
        return;
    struct settle settle = settle_of(code);
    settle.count = count;
    settle_add(verdict, settle);
}

void settle_add_between(struct verdict *verdict, enum settle_code code, double low, double high)
{
    struct settle settle = settle_of(code);
    settle.low = low;
    settle.high = high;
    settle_add(verdict, settle);
}

void settle_add_conditions(struct verdict *verdict, enum settle_code code,
                           const struct conditions *conditions,
                           const struct conditions_difference *differs)
{
    struct settle settle = settle_of(code);
    if (differs->feeds)
        feeds_say(&conditions->feeds, settle.feeds, sizeof settle.feeds);
    if (differs->revision)
        text_cut(conditions->revision, settle.revision, sizeof settle.revision);
    if (differs->set_up)
        text_cut(conditions->set_up, settle.set_up, sizeof settle.set_up);
    settle_add(verdict, settle);
}
