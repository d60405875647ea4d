/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/check_content.h"

#include "trend/bench_check.h"
#include "trend/series.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_CHARTS = CHECK_MOST_RESISTORS + 2, MOST_READINGS = 2000 };
static const double default_tolerance_percent = 1, most_ohm = 1e6;

static double number_of(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static int mean_of(const json_t *object, const char *key, const char *field, double *mean,
                   struct error *error)
{
    const json_t *list = json_object_get(object, key);
    size_t count = json_array_size(list);
    char expected[80];
    snprintf(expected, sizeof expected, "\"%s\": %d to %d readings", key, CHECK_LEAST_READINGS,
             MOST_READINGS);
    if (count < CHECK_LEAST_READINGS || count > MOST_READINGS)
        return error_set(error, EXIT_BAD_DATA, field, 0, expected, "found %zu", count);
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        const json_t *value = json_array_get(list, i);
        if (!json_is_number(value))
            return error_set(error, EXIT_BAD_DATA, field, 0, expected,
                             "found something else than a number");
        sum += json_number_value(value);
    }
    *mean = sum / (double)count;
    return 0;
}

static int take_zero(const json_t *body, const struct accuracy *accuracy, json_t *content,
                     bool *passed, struct error *error)
{
    struct checked zero = {.kind = CHECKED_ZERO};
    if (mean_of(json_object_get(body, "zero"), "current_A", "zero", &zero.current_A, error) != 0)
        return -1;
    bool good = checked_passes(&zero, accuracy);
    *passed &= good;
    json_object_set_new(content, "zero_A", json_real(zero.current_A));
    json_object_set_new(content, "zero_allowed_A",
                        json_real(checked_limits(&zero, accuracy).allowed_A));
    json_object_set_new(content, "zero_passed", json_boolean(good));
    return 0;
}

static int take_resistor(const json_t *entry, const struct accuracy *accuracy, json_t *list,
                         bool *passed, struct error *error)
{
    double percent = number_of(entry, "tolerance_percent");
    struct checked checked = {.kind = CHECKED_RESISTOR, .ohm = number_of(entry, "ohm")};
    percent = isnan(percent) ? default_tolerance_percent : percent;
    checked.tolerance = percent / 100;
    if (!(checked.ohm > 0 && checked.ohm <= most_ohm) || !(percent >= 0 && percent <= 50))
        return error_set(error, EXIT_BAD_DATA, "resistors", 0,
                         "\"ohm\" above 0, \"tolerance_percent\" from 0 to 50", "found another");
    if (mean_of(entry, "voltage_V", "resistors", &checked.voltage_V, error) != 0 ||
        mean_of(entry, "current_A", "resistors", &checked.current_A, error) != 0)
        return -1;
    if (!(checked.voltage_V > 0))
        return error_set(error, EXIT_BAD_DATA, "resistors", 0, "a voltage at the resistor",
                         "found %.3f V: is the output on?", checked.voltage_V);
    struct checked_limits limits = checked_limits(&checked, accuracy);
    bool good = checked_passes(&checked, accuracy);
    *passed &= good;
    return json_array_append_new(list, json_pack("{s:f, s:f, s:f, s:f, s:f, s:f, s:b}", "ohm",
                                                 checked.ohm, "tolerance_percent", percent,
                                                 "voltage_V", checked.voltage_V, "current_A",
                                                 checked.current_A, "expected_A", limits.expected_A,
                                                 "allowed_A", limits.allowed_A, "passed", good));
}

static int take_all(const json_t *body, const struct accuracy *accuracy, json_t *content,
                    bool *passed, struct error *error)
{
    const json_t *resistors = json_object_get(body, "resistors");
    json_t *list = json_array();
    json_object_set_new(content, "resistors", list);
    if (take_zero(body, accuracy, content, passed, error) != 0)
        return -1;
    if (resistors &&
        (!json_is_array(resistors) || json_array_size(resistors) > CHECK_MOST_RESISTORS))
        return error_set(error, EXIT_BAD_DATA, "resistors", 0, "an array of at most 8",
                         "found something else");
    for (size_t i = 0; i < json_array_size(resistors); i++)
        if (take_resistor(json_array_get(resistors, i), accuracy, list, passed, error) != 0)
            return -1;
    return 0;
}

json_t *check_content(const json_t *body, const json_t *standard, const struct accuracy *accuracy,
                      bool *passed, struct error *error)
{
    json_t *content = json_object();
    *passed = true;
    if (take_all(body, accuracy, content, passed, error) == 0) {
        json_object_set_new(content, "check_standard",
                            standard ? json_deep_copy(standard) : json_null());
        return content;
    }
    json_decref(content);
    return NULL;
}

/* --- charts --- */

struct charted {
    double ohm;
    double *values;
    size_t *checks; /* indices */
    size_t count;
    double floor; /* what the readback's step brings */
    enum checked_kind kind;
    char name[59];
    bool moved;
};

static int add_value(struct charted *charted, size_t check, double value)
{
    if (!isfinite(value))
        return 0;
    charted->values[charted->count] = value;
    charted->checks[charted->count++] = check;
    return 0;
}

static struct charted *place_for(struct charted *charts, size_t *chart_count, size_t room,
                                 enum checked_kind kind, double ohm)
{
    for (size_t i = 0; i < *chart_count; i++)
        if (charts[i].kind == kind && charts[i].ohm == ohm)
            return &charts[i];
    if (*chart_count == MOST_CHARTS)
        return NULL;
    struct charted *made = &charts[*chart_count];
    *made = (struct charted){.kind = kind, .ohm = ohm};
    made->values = malloc((room + 1) * sizeof *made->values);
    made->checks = malloc((room + 1) * sizeof *made->checks);
    if (!made->values || !made->checks) {
        free(made->values);
        free(made->checks);
        return NULL;
    }
    if (kind == CHECKED_RESISTOR)
        snprintf(made->name, sizeof made->name, "resistor %g ohm", ohm);
    else
        snprintf(made->name, sizeof made->name, "%s",
                 kind == CHECKED_ZERO ? "zero" : "check standard");
    ++*chart_count;
    return made;
}

static void gather_check(const json_t *check, size_t index, size_t room,
                         const struct accuracy *accuracy, struct charted *charts, size_t *count)
{
    double step_A = accuracy->current_resolution_A / sqrt(12);
    struct charted *zero = place_for(charts, count, room, CHECKED_ZERO, 0);
    if (zero) {
        zero->floor = step_A;
        add_value(zero, index, number_of(check, "zero_A"));
    }
    const json_t *resistors = json_object_get(check, "resistors");
    for (size_t i = 0; i < json_array_size(resistors); i++) {
        const json_t *entry = json_array_get(resistors, i);
        struct checked checked = {.kind = CHECKED_RESISTOR,
                                  .ohm = number_of(entry, "ohm"),
                                  .voltage_V = number_of(entry, "voltage_V"),
                                  .current_A = number_of(entry, "current_A")};
        struct charted *place = place_for(charts, count, room, CHECKED_RESISTOR, checked.ohm);
        if (!place)
            continue;
        place->floor = fmax(place->floor, step_A / fmax(number_of(entry, "expected_A"), step_A));
        add_value(place, index, checked_charted(&checked));
    }
    double draw_A = number_of(json_object_get(check, "check_standard"), "final_draw_A");
    struct charted *standard =
        draw_A > 0 ? place_for(charts, count, room, CHECKED_STANDARD, 0) : NULL;
    if (standard) {
        standard->floor = fmax(standard->floor, step_A / draw_A);
        add_value(standard, index, log(draw_A));
    }
}

static json_t *number_json(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

/* A check standard's logarithm as a share of its first value. */
static double shown(const struct charted *charted, double value)
{
    return charted->kind == CHECKED_STANDARD ? expm1(value - charted->values[0]) : value;
}

static json_t *chart_json(struct charted *charted, const json_t *checks)
{
    struct check_point *points = malloc((charted->count + 1) * sizeof *points);
    json_t *list = json_array();
    if (!points || !list) {
        free(points);
        json_decref(list);
        return NULL;
    }
    struct check_chart chart =
        check_chart_lay(charted->values, charted->count, charted->floor, points);
    for (size_t i = 0; i < charted->count; i++) {
        const struct check_point *point = &points[i];
        const json_t *check = json_array_get(checks, charted->checks[i]);
        bool signal = point->state != CHART_IN_CONTROL;
        json_array_append_new(list,
                              json_pack("{s:O, s:o, s:o, s:o, s:o, s:o, s:o, s:b}", "at",
                                        json_object_get(check, "at"), "value",
                                        number_json(shown(charted, point->value)), "ewma",
                                        number_json(shown(charted, point->ewma)), "ewma_low",
                                        number_json(shown(charted, point->ewma_low)), "ewma_high",
                                        number_json(shown(charted, point->ewma_high)), "cusum_high",
                                        number_json(point->cusum_high), "cusum_low",
                                        number_json(point->cusum_low), "signal", signal));
        charted->moved = signal; /* the newest counts */
    }
    free(points);
    static const char *const kinds[] = {[CHECKED_ZERO] = "zero",
                                        [CHECKED_RESISTOR] = "resistor",
                                        [CHECKED_STANDARD] = "check standard"};
    return json_pack("{s:s, s:s, s:s, s:o, s:o, s:o}", "of", charted->name, "kind",
                     kinds[charted->kind], "unit", charted->kind == CHECKED_ZERO ? "A" : "share",
                     "centre", number_json(shown(charted, chart.centre)), "spread",
                     number_json(chart.sigma), "points", list);
}

static json_t *findings_json(const struct charted *charts, size_t count)
{
    bool moved[3] = {false};
    for (size_t i = 0; i < count; i++)
        moved[charts[i].kind] |= charts[i].moved;
    const char *text = check_finding_text(
        check_finding_of(moved[CHECKED_ZERO], moved[CHECKED_RESISTOR], moved[CHECKED_STANDARD]));
    json_t *findings = json_array();
    if (text[0])
        json_array_append_new(findings, json_string(text));
    return findings;
}

json_t *check_charts(const json_t *checks, const struct accuracy *accuracy)
{
    struct charted charts[MOST_CHARTS];
    size_t count = 0;
    size_t room = json_array_size(checks) * (CHECK_MOST_RESISTORS + 1);
    for (size_t i = 0; i < json_array_size(checks); i++)
        gather_check(json_array_get(checks, i), i, room, accuracy, charts, &count);
    json_t *list = json_array();
    int failed = list ? 0 : -1;
    for (size_t i = 0; i < count; i++)
        failed |= json_array_append_new(list, chart_json(&charts[i], checks));
    json_t *all = failed == 0 ? json_pack("{s:O, s:o}", "charts", list, "findings",
                                          findings_json(charts, count))
                              : NULL;
    json_decref(list);
    for (size_t i = 0; i < count; i++) {
        free(charts[i].values);
        free(charts[i].checks);
    }
    return all;
}
