/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/change_words.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

enum { ROOM = 400 };

static double number(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

static const json_t *change_of(const json_t *row)
{
    return json_array_get(json_object_get(row, "changes"), 0);
}

static bool is_more(const json_t *row)
{
    return json_is_true(json_object_get(change_of(row), "more_than_own_spread"));
}

static bool is_tested(const json_t *row)
{
    return json_is_number(json_object_get(change_of(row), "p"));
}

static bool is_of(const json_t *row, const char *what)
{
    return strcmp(text_of(row, "of"), what) == 0;
}

/* The level that the module stays at. */
static bool is_last_level(const json_t *rows, const json_t *row)
{
    json_int_t last = -1;
    for (size_t i = 0; i < json_array_size(rows); i++) {
        const json_t *each = json_array_get(rows, i);
        json_int_t phase = json_integer_value(json_object_get(each, "phase"));
        if (is_of(each, "level_A") && phase > last)
            last = phase;
    }
    return is_of(row, "level_A") && json_integer_value(json_object_get(row, "phase")) == last;
}

static bool final_draw_is_more(const json_t *rows)
{
    for (size_t i = 0; i < json_array_size(rows); i++)
        if (is_of(json_array_get(rows, i), "final_draw_A") && is_more(json_array_get(rows, i)))
            return true;
    return false;
}

enum changed changed_by(const json_t *rows)
{
    enum changed changed = CHANGED_NOT_TOLD;
    for (size_t i = 0; i < json_array_size(rows); i++) {
        const json_t *row = json_array_get(rows, i);
        if (is_more(row))
            return CHANGED_YES;
        if (is_tested(row))
            changed = CHANGED_NO;
    }
    return changed;
}

static const char *unit_of(const json_t *row)
{
    return is_of(row, "duration_s") ? "s" : "A";
}

static void name_row(const json_t *row, char name[60])
{
    int phase = (int)json_integer_value(json_object_get(row, "phase")) + 1;
    if (is_of(row, "final_draw_A"))
        snprintf(name, 60, "final draw");
    else
        snprintf(name, 60,
                 is_of(row, "duration_s") ? "how long phase %d lasts" : "draw of phase %d", phase);
}

/* "final draw 0.376 A today, 0.400 A when it left" */
static void say_values(const json_t *row, char *text, size_t room)
{
    const json_t *points = json_object_get(row, "points");
    const json_t *before = json_array_get(points, 0);
    const json_t *now = json_array_get(points, 1);
    char name[60];
    name_row(row, name);
    snprintf(text, room, "%s %.3f %s %s, %.3f %s %s", name, number(now, "mean"), unit_of(row),
             text_of(now, "stage"), number(before, "mean"), unit_of(row), text_of(before, "stage"));
}

static void say_limits(const json_t *row, char *text, size_t room)
{
    const json_t *limits = json_object_get(row, "limits");
    double low = number(limits, "low");
    double high = number(limits, "high");
    double now = number(json_array_get(json_object_get(row, "points"), 1), "mean");
    text[0] = '\0';
    if (isfinite(low) && isfinite(high))
        snprintf(text, room,
                 now >= low && now <= high ? "; still within the type's limits, %.3f to %.3f %s"
                                           : "; outside the type's limits, %.3f to %.3f %s",
                 low, high, unit_of(row));
}

static json_t *change_sentence(const json_t *row)
{
    char values[ROOM];
    char limits[ROOM];
    const json_t *change = change_of(row);
    double share = number(change, "difference_share");
    say_values(row, values, sizeof values);
    say_limits(row, limits, sizeof limits);
    return json_sprintf(
        "Changed: %s, %.1f %% %s (95 %%: %+.1f %% to %+.1f %%), more than the unit's "
        "own spread%s.",
        values, fabs(100 * share), share < 0 ? "less" : "more", 100 * number(change, "low_share"),
        100 * number(change, "high_share"), limits);
}

static json_t *unchanged_sentence(const json_t *rows)
{
    for (size_t i = 0; i < json_array_size(rows); i++) {
        const json_t *row = json_array_get(rows, i);
        if (!is_tested(row))
            continue;
        char values[ROOM];
        const json_t *change = change_of(row);
        say_values(row, values, sizeof values);
        return json_sprintf("Nothing changed by more than the unit's own spread: %s (95 %%: "
                            "%+.1f %% to %+.1f %%).",
                            values, 100 * number(change, "low_share"),
                            100 * number(change, "high_share"));
    }
    return NULL;
}

static json_t *not_told_sentence(const json_t *rows)
{
    for (size_t i = 0; i < json_array_size(rows); i++)
        if (change_of(json_array_get(rows, i)))
            return json_string("Whether it changed cannot be told: no spread is known to compare "
                               "with. Power it up some more, or teach the type's reference from "
                               "several units.");
    return json_string("Nothing was measured both times: let it settle, and compare again.");
}

json_t *change_words(const json_t *rows)
{
    json_t *words = json_array();
    bool said_by_final = final_draw_is_more(rows);
    enum changed changed = changed_by(rows);
    if (!words)
        return NULL;
    if (changed == CHANGED_NOT_TOLD)
        json_array_append_new(words, not_told_sentence(rows));
    if (changed == CHANGED_NO)
        json_array_append_new(words, unchanged_sentence(rows));
    for (size_t i = 0; changed == CHANGED_YES && i < json_array_size(rows); i++) {
        const json_t *row = json_array_get(rows, i);
        if (is_more(row) && !(said_by_final && is_last_level(rows, row)))
            json_array_append_new(words, change_sentence(row));
    }
    return words;
}
