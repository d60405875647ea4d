/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/reference_print.h"

#include "base/number.h"
#include "reference/reference_fields.h"
#include "reference/reference_json.h"
#include "reference/reference_model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LINE_WIDTH = 100, INLINE_WIDTH = 92 };

/* A JSON value as text: what fits on a line stands on one line, rows of numbers
 * are wrapped, the rest is indented, so that a change shows as few lines. */
struct writer {
    FILE *stream;
    int digits; /* significant digits of numbers; 0: as many as read back the same */
};

static void write_scalar(const struct writer *writer, const json_t *value, FILE *stream)
{
    if (json_is_real(value)) {
        char text[40];
        double number = json_real_value(value);
        if (writer->digits) {
            snprintf(text, sizeof text, "%.*g", writer->digits, number);
            number = strtod(text, NULL);
        }
        fputs(number_print(number, text), stream);
        return;
    }
    char *text = json_dumps(value, JSON_ENCODE_ANY);
    fputs(text ? text : "null", stream);
    free(text);
}

static bool is_scalar(const json_t *value)
{
    return !json_is_object(value) && !json_is_array(value);
}

/* Depth of what is inside: 0 a scalar, 1 holds scalars only. */
static int depth_of(json_t *value)
{
    int deepest = 0;
    if (is_scalar(value))
        return 0;
    if (json_is_array(value)) {
        for (size_t i = 0; i < json_array_size(value); i++) {
            int depth = depth_of(json_array_get(value, i));
            deepest = depth > deepest ? depth : deepest;
        }
        return deepest + 1;
    }
    for (void *at = json_object_iter(value); at; at = json_object_iter_next(value, at)) {
        int depth = depth_of(json_object_iter_value(at));
        deepest = depth > deepest ? depth : deepest;
    }
    return deepest + 1;
}

static void write_inline(const struct writer *writer, json_t *value, FILE *stream)
{
    if (json_is_array(value)) {
        fputc('[', stream);
        for (size_t i = 0; i < json_array_size(value); i++) {
            fputs(i ? ", " : "", stream);
            write_inline(writer, json_array_get(value, i), stream);
        }
        fputc(']', stream);
    } else if (json_is_object(value)) {
        fputc('{', stream);
        const char *between = "";
        for (void *at = json_object_iter(value); at; at = json_object_iter_next(value, at)) {
            fprintf(stream, "%s\"%s\": ", between, json_object_iter_key(at));
            write_inline(writer, json_object_iter_value(at), stream);
            between = ", ";
        }
        fputc('}', stream);
    } else {
        write_scalar(writer, value, stream);
    }
}

static void write_row(const struct writer *writer, json_t *array, int indent)
{
    int column = LINE_WIDTH;
    fputc('[', writer->stream);
    for (size_t i = 0; i < json_array_size(array); i++) {
        char *text = NULL;
        size_t length = 0;
        FILE *memory = open_memstream(&text, &length);
        if (memory) {
            write_scalar(writer, json_array_get(array, i), memory);
            fclose(memory);
        }
        fputs(i ? "," : "", writer->stream);
        if (column + (int)length + 2 > LINE_WIDTH) {
            fprintf(writer->stream, "\n%*s", indent + 2, "");
            column = indent + 2;
        } else {
            fputc(' ', writer->stream);
            column++;
        }
        fputs(text ? text : "null", writer->stream);
        column += (int)length + 1;
        free(text);
    }
    fprintf(writer->stream, "\n%*s]", indent, "");
}

static void write_value(const struct writer *writer, json_t *value, int indent)
{
    if (is_scalar(value)) {
        write_scalar(writer, value, writer->stream);
        return;
    }
    if (depth_of(value) <= 2) {
        char *text = NULL;
        size_t length = 0;
        FILE *memory = open_memstream(&text, &length);
        if (memory) {
            write_inline(writer, value, memory);
            fclose(memory);
        }
        bool fits = text && length + (size_t)indent <= INLINE_WIDTH;
        if (fits)
            fputs(text, writer->stream);
        free(text);
        if (fits)
            return;
    }
    if (json_is_array(value) && depth_of(value) == 1 && json_is_number(json_array_get(value, 0))) {
        write_row(writer, value, indent);
        return;
    }
    bool array = json_is_array(value);
    fputc(array ? '[' : '{', writer->stream);
    const char *between = "\n";
    if (array) {
        for (size_t i = 0; i < json_array_size(value); i++) {
            fprintf(writer->stream, "%s%*s", between, indent + 2, "");
            write_value(writer, json_array_get(value, i), indent + 2);
            between = ",\n";
        }
    } else {
        for (void *at = json_object_iter(value); at; at = json_object_iter_next(value, at)) {
            fprintf(writer->stream, "%s%*s\"%s\": ", between, indent + 2, "",
                    json_object_iter_key(at));
            write_value(writer, json_object_iter_value(at), indent + 2);
            between = ",\n";
        }
    }
    fprintf(writer->stream, "\n%*s%c", indent, "", array ? ']' : '}');
}

static json_t *numbers(const double *values, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; array && i < count; i++)
        json_array_append_new(array, json_real(values[i]));
    return array;
}

static json_t *number_or_null(double number)
{
    return isnan(number) ? json_null() : json_real(number);
}

static json_t *limits(double expected, double low, double high)
{
    return json_pack("{s:o, s:o, s:o}", "expected", number_or_null(expected), "low",
                     number_or_null(low), "high", number_or_null(high));
}

static json_t *from_table(const struct field_table *table, const void *item)
{
    json_t *object = json_object();
    if (object && fields_print(table, item, object) == 0)
        return object;
    json_decref(object);
    return NULL;
}

static json_t *phase_json(const struct reference_phase *phase)
{
    json_t *object =
        json_pack("{s:s, s:o, s:o}", "kind", phase_kind_name(phase->kind), "level_A",
                  limits(phase->level_A, phase->low_A, phase->high_A), "duration_s",
                  isnan(phase->duration_s)
                      ? json_null()
                      : limits(phase->duration_s, phase->duration_low_s, phase->duration_high_s));
    if (!object || fields_print(&reference_phase_fields, phase, object) != 0) {
        json_decref(object);
        return NULL;
    }
    json_t *shape = json_pack("{s:f, s:o, s:o, s:o}", "cell_s", phase->cell_s, "mean_A",
                              numbers(phase->shape_A, phase->cell_count), "low_A",
                              numbers(phase->shape_low_A, phase->cell_count), "high_A",
                              numbers(phase->shape_high_A, phase->cell_count));
    json_object_set_new(object, "shape", shape);
    return object;
}

static json_t *taught_by(const struct reference *reference)
{
    json_t *units = json_array();
    for (size_t i = 0; units && i < reference->unit_count; i++)
        json_array_append_new(units, from_table(&reference_unit_fields, &reference->units[i]));
    json_t *range = reference->has_range
                        ? json_pack("[f, f]", reference->range_low_A, reference->range_high_A)
                        : json_null();
    return json_pack("{s:i, s:i, s:o, s:o}", "units", (int)reference->unit_count, "power_ups",
                     reference->power_ups, "known_goods", units, "stated_range_A", range);
}

static json_t *reference_json(const struct reference *reference)
{
    json_t *phases = json_array();
    for (size_t i = 0; phases && i < reference->phase_count; i++)
        json_array_append_new(phases, phase_json(&reference->phases[i]));
    json_t *claims = json_array();
    for (size_t i = 0; claims && i < reference->claim_count; i++)
        json_array_append_new(claims, json_string(reference->claims[i]));
    json_t *whole = json_object();
    if (!whole)
        return NULL;
    json_object_set_new(whole, "format",
                        json_pack("{s:s, s:i, s:i}", "name", REFERENCE_FORMAT, "major",
                                  REFERENCE_MAJOR, "minor", REFERENCE_MINOR));
    fields_print(&reference_fields, reference, whole);
    json_object_set_new(whole, "taught_by", taught_by(reference));
    json_object_set_new(whole, "supply", from_table(&reference_supply_fields, reference));
    json_object_set_new(
        whole, "spreads",
        json_pack("{s:o, s:o, s:o}", "level_common",
                  from_table(&reference_spread_fields, &reference->level_common), "level_own",
                  from_table(&reference_spread_fields, &reference->level_own), "duration",
                  from_table(&reference_spread_fields, &reference->duration)));
    json_object_set_new(whole, "final", from_table(&reference_final_fields, reference));
    json_object_set_new(whole, "phases", phases);
    size_t points = reference->envelope_count;
    json_object_set_new(whole, "envelope",
                        json_pack("{s:o, s:o, s:o}", "time_s",
                                  numbers(reference->envelope_time_s, points), "low_A",
                                  numbers(reference->envelope_low_A, points), "high_A",
                                  numbers(reference->envelope_high_A, points)));
    json_object_set_new(whole, "claims", claims);
    return whole;
}

char *reference_print_rounded(const struct reference *reference, int digits)
{
    json_t *whole = reference_json(reference);
    if (!whole)
        return NULL;
    char *text = NULL;
    size_t length = 0;
    struct writer writer = {open_memstream(&text, &length), digits};
    if (writer.stream) {
        write_value(&writer, whole, 0);
        fputc('\n', writer.stream);
        if (fclose(writer.stream) != 0) {
            free(text);
            text = NULL;
        }
    }
    json_decref(whole);
    return text;
}

char *reference_print(const struct reference *reference)
{
    return reference_print_rounded(reference, 0);
}
