/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/reference_json.h"

#include "reference/reference_fields.h"
#include "reference/reference_model.h"
#include "reference/reference_print.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ENVELOPE = 4000, MOST_UNITS = 1000, MOST_CLAIMS = 200 };

struct source {
    const char *name;
    struct error *error;
};

static int wrong(const struct source *source, const char *place, const char *key,
                 const json_t *found, const char *expected)
{
    return field_error(source->error, source->name, place, key, found, expected);
}

static int check_format(const struct source *source, const json_t *whole)
{
    const json_t *format = json_object_get(whole, "format");
    const json_t *name = json_object_get(format, "name");
    const json_t *major = json_object_get(format, "major");
    if (!json_is_string(name) || strcmp(json_string_value(name), REFERENCE_FORMAT) != 0)
        return wrong(source, "format", "name", name, "\"" REFERENCE_FORMAT "\"");
    if (!json_is_integer(major) || json_integer_value(major) < 1)
        return wrong(source, "format", "major", major, "a whole number from 1");
    if (json_integer_value(major) > REFERENCE_MAJOR) {
        return error_set(source->error, EXIT_BAD_DATA, source->name, 0,
                         "major 1; a newer wakedraw reads it", "found a %s of major version %lld",
                         REFERENCE_FORMAT, (long long)json_integer_value(major));
    }
    return 0;
}

static int parse_row(const struct source *source, const json_t *object, const char *place,
                     const char *key, double *values, size_t count)
{
    const json_t *array = json_object_get(object, key);
    char expected[80];
    snprintf(expected, sizeof expected, "an array of %zu numbers", count);
    if (!json_is_array(array) || json_array_size(array) != count)
        return wrong(source, place, key, array, expected);
    for (size_t i = 0; i < count; i++) {
        const json_t *value = json_array_get(array, i);
        if (!json_is_number(value) || !(fabs(json_number_value(value)) < 1e6))
            return wrong(source, place, key, value, expected);
        values[i] = json_number_value(value);
    }
    return 0;
}

static int parse_limits(const struct source *source, const json_t *object, const char *place,
                        const char *key, double out[3])
{
    static const char *const keys[] = {"expected", "low", "high"};
    const json_t *value = json_object_get(object, key);
    if (!json_is_object(value))
        return wrong(source, place, key, value, "an object of expected, low and high");
    for (int i = 0; i < 3; i++) {
        const json_t *number = json_object_get(value, keys[i]);
        char inner[80];
        snprintf(inner, sizeof inner, "%s.%s", place, key);
        if (!json_is_number(number) || !(fabs(json_number_value(number)) < 1e6))
            return wrong(source, inner, keys[i], number, "a number");
        out[i] = json_number_value(number);
    }
    return 0;
}

static int parse_phase(const struct source *source, const json_t *object, const char *place,
                       bool last, struct reference_phase *phase)
{
    const json_t *kind = json_object_get(object, "kind");
    int found = -1;
    for (int i = PHASE_LEVEL; i <= PHASE_PERIODIC; i++) {
        if (json_is_string(kind) &&
            strcmp(json_string_value(kind), phase_kind_name((enum phase_kind)i)) == 0)
            found = i;
    }
    if (found < 0)
        return wrong(source, place, "kind", kind, "level, ramp, decay or periodic");
    phase->kind = (enum phase_kind)found;
    double numbers[3];
    if (parse_limits(source, object, place, "level_A", numbers) != 0)
        return -1;
    phase->level_A = numbers[0];
    phase->low_A = numbers[1];
    phase->high_A = numbers[2];
    phase->duration_s = phase->duration_low_s = phase->duration_high_s = NAN;
    const json_t *duration = json_object_get(object, "duration_s");
    if (last && !json_is_null(duration))
        return wrong(source, place, "duration_s", duration, "null, as it is the last phase");
    if (!last) {
        if (parse_limits(source, object, place, "duration_s", numbers) != 0)
            return -1;
        phase->duration_s = numbers[0];
        phase->duration_low_s = numbers[1];
        phase->duration_high_s = numbers[2];
        if (!(numbers[1] >= 0 && numbers[1] <= numbers[0] && numbers[0] <= numbers[2]))
            return wrong(source, place, "duration_s", duration, "0 <= low <= expected <= high");
    }
    if (fields_parse(&reference_phase_fields, object, phase, source->name, place, source->error) !=
        0)
        return -1;
    const json_t *shape = json_object_get(object, "shape");
    const json_t *cell = json_object_get(shape, "cell_s");
    size_t cells = json_array_size(json_object_get(shape, "mean_A"));
    if (!json_is_number(cell) || !(json_number_value(cell) >= 0) || cells < 1 ||
        cells > REFERENCE_MOST_CELLS || (cells > 1 && !(json_number_value(cell) > 0)))
        return wrong(source, place, "shape", shape,
                     "an object of cell_s (above 0) and 1 to 48 cells of mean_A, low_A, high_A");
    phase->cell_s = json_number_value(cell);
    phase->cell_count = cells;
    if (parse_row(source, shape, place, "mean_A", phase->shape_A, cells) != 0 ||
        parse_row(source, shape, place, "low_A", phase->shape_low_A, cells) != 0 ||
        parse_row(source, shape, place, "high_A", phase->shape_high_A, cells) != 0)
        return -1;
    return 0;
}

static int parse_phases(const struct source *source, const json_t *whole, struct reference *r)
{
    const json_t *phases = json_object_get(whole, "phases");
    size_t count = json_array_size(phases);
    if (!json_is_array(phases) || count > REFERENCE_MOST_PHASES)
        return wrong(source, "", "phases", phases, "an array of at most 16 phases");
    if (count == 0)
        return 0;
    r->phases = calloc(count, sizeof *r->phases);
    if (!r->phases)
        return error_set(source->error, EXIT_SOFTWARE, source->name, 0, NULL, "memory is out");
    r->phase_count = count;
    for (size_t i = 0; i < count; i++) {
        char place[40];
        snprintf(place, sizeof place, "phases[%zu]", i);
        if (parse_phase(source, json_array_get(phases, i), place, i + 1 == count, &r->phases[i]))
            return -1;
    }
    return 0;
}

static int parse_taught_by(const struct source *source, const json_t *whole, struct reference *r)
{
    const json_t *taught = json_object_get(whole, "taught_by");
    const json_t *goods = json_object_get(taught, "known_goods");
    size_t count = json_array_size(goods);
    if (!json_is_array(goods) || count > MOST_UNITS)
        return wrong(source, "taught_by", "known_goods", goods, "an array of at most 1000 units");
    r->units = count ? calloc(count, sizeof *r->units) : NULL;
    if (count && !r->units)
        return error_set(source->error, EXIT_SOFTWARE, source->name, 0, NULL, "memory is out");
    for (size_t i = 0; i < count; i++) {
        char place[60];
        snprintf(place, sizeof place, "taught_by.known_goods[%zu]", i);
        r->unit_count = i + 1;
        if (fields_parse(&reference_unit_fields, json_array_get(goods, i), &r->units[i],
                         source->name, place, source->error) != 0)
            return -1;
        r->power_ups += r->units[i].power_ups;
    }
    const json_t *range = json_object_get(taught, "stated_range_A");
    if (json_is_null(range))
        return 0;
    double low = json_number_value(json_array_get(range, 0));
    double high = json_number_value(json_array_get(range, 1));
    if (json_array_size(range) != 2 || !json_is_number(json_array_get(range, 0)) ||
        !json_is_number(json_array_get(range, 1)) || !(low < high) || !(fabs(low) < 1000) ||
        !(high < 1000))
        return wrong(source, "taught_by", "stated_range_A", range, "[low, high] or null");
    r->has_range = true;
    r->range_low_A = low;
    r->range_high_A = high;
    return 0;
}

static int parse_spreads(const struct source *source, const json_t *whole, struct reference *r)
{
    const json_t *spreads = json_object_get(whole, "spreads");
    const struct {
        const char *key;
        struct spread *spread;
    } all[] = {{"level_common", &r->level_common},
               {"level_own", &r->level_own},
               {"duration", &r->duration}};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        char place[60];
        snprintf(place, sizeof place, "spreads.%s", all[i].key);
        if (fields_parse(&reference_spread_fields, json_object_get(spreads, all[i].key),
                         all[i].spread, source->name, place, source->error) != 0)
            return -1;
    }
    return 0;
}

static int parse_envelope(const struct source *source, const json_t *whole, struct reference *r)
{
    const json_t *envelope = json_object_get(whole, "envelope");
    const json_t *times = json_object_get(envelope, "time_s");
    size_t count = json_array_size(times);
    if (!json_is_array(times) || count > MOST_ENVELOPE)
        return wrong(source, "envelope", "time_s", times, "an array of at most 4000 numbers");
    if (count == 0)
        return 0;
    r->envelope_time_s = calloc(count, sizeof(double));
    r->envelope_low_A = calloc(count, sizeof(double));
    r->envelope_high_A = calloc(count, sizeof(double));
    if (!r->envelope_time_s || !r->envelope_low_A || !r->envelope_high_A)
        return error_set(source->error, EXIT_SOFTWARE, source->name, 0, NULL, "memory is out");
    r->envelope_count = count;
    if (parse_row(source, envelope, "envelope", "time_s", r->envelope_time_s, count) != 0 ||
        parse_row(source, envelope, "envelope", "low_A", r->envelope_low_A, count) != 0 ||
        parse_row(source, envelope, "envelope", "high_A", r->envelope_high_A, count) != 0)
        return -1;
    return 0;
}

static int parse_claims(const struct source *source, const json_t *whole, struct reference *r)
{
    const json_t *claims = json_object_get(whole, "claims");
    if (!json_is_array(claims) || json_array_size(claims) > MOST_CLAIMS)
        return wrong(source, "", "claims", claims, "an array of at most 200 texts");
    for (size_t i = 0; i < json_array_size(claims); i++) {
        const json_t *claim = json_array_get(claims, i);
        if (!json_is_string(claim) || json_string_length(claim) > 1000)
            return wrong(source, "", "claims", claim, "texts of at most 1000 bytes");
        if (!reference_add_claim(r, "%s", json_string_value(claim)))
            return error_set(source->error, EXIT_SOFTWARE, source->name, 0, NULL, "memory is out");
    }
    return 0;
}

static int parse_all(const struct source *source, const json_t *whole, struct reference *r)
{
    if (fields_parse(&reference_fields, whole, r, source->name, "", source->error) != 0 ||
        parse_taught_by(source, whole, r) != 0 ||
        fields_parse(&reference_supply_fields, json_object_get(whole, "supply"), r, source->name,
                     "supply", source->error) != 0 ||
        parse_spreads(source, whole, r) != 0 ||
        fields_parse(&reference_final_fields, json_object_get(whole, "final"), r, source->name,
                     "final", source->error) != 0 ||
        parse_phases(source, whole, r) != 0 || parse_envelope(source, whole, r) != 0)
        return -1;
    if (r->phase_count == 0 && !r->has_range)
        return wrong(source, "", "phases", json_object_get(whole, "phases"),
                     "phases, or a stated range");
    return parse_claims(source, whole, r);
}

struct reference *reference_parse(const char *text, size_t length, const char *name,
                                  struct error *error)
{
    struct source source = {name, error};
    json_error_t problem;
    json_t *whole = json_loadb(text, length, JSON_REJECT_DUPLICATES, &problem);
    if (!whole) {
        error_set(error, EXIT_BAD_DATA, name, problem.line, "a reference as JSON", "%s",
                  problem.text);
        return NULL;
    }
    struct reference *reference = reference_create("?");
    int status = -1;
    if (!reference)
        error_set(error, EXIT_SOFTWARE, name, 0, NULL, "memory is out");
    else if (!json_is_object(whole))
        wrong(&source, "", "", whole, "an object");
    else if (check_format(&source, whole) == 0)
        status = parse_all(&source, whole, reference);
    json_decref(whole);
    if (status == 0)
        return reference;
    reference_destroy(reference);
    return NULL;
}
