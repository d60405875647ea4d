/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/reference_model.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct reference *reference_create(const char *module_type)
{
    struct reference *reference = calloc(1, sizeof *reference);
    if (!reference)
        return NULL;
    reference->module_type = strdup(module_type);
    if (!reference->module_type) {
        free(reference);
        return NULL;
    }
    reference->version = 1;
    reference->watch_s = 30;
    reference->nominal_voltage_V = NAN;
    reference->compared_at_V = NAN;
    reference->voltage_low_V = reference->voltage_high_V = NAN;
    reference->range_low_A = reference->range_high_A = NAN;
    reference->reading_interval_s = NAN;
    reference->smallest_level_fault = 0.10;
    reference->smallest_duration_fault = 2;
    reference->baseline_A = reference->baseline_high_A = NAN;
    reference->final_expected_A = reference->final_low_A = reference->final_high_A = NAN;
    struct spread unseen = {.between = NAN, .within = NAN, .prior_assumed = true};
    reference->level_common = reference->level_own = reference->duration = unseen;
    return reference;
}

void reference_destroy(struct reference *reference)
{
    if (!reference)
        return;
    for (size_t i = 0; i < reference->unit_count; i++) {
        free(reference->units[i].unit);
        free(reference->units[i].trusted_because);
    }
    for (size_t i = 0; i < reference->claim_count; i++)
        free(reference->claims[i]);
    free(reference->units);
    free(reference->claims);
    free(reference->phases);
    free(reference->envelope_time_s);
    free(reference->envelope_low_A);
    free(reference->envelope_high_A);
    free(reference->module_type);
    conditions_clear(&reference->conditions);
    free(reference);
}

bool reference_add_claim(struct reference *reference, const char *format, ...)
{
    char **grown =
        realloc(reference->claims, (reference->claim_count + 1) * sizeof *reference->claims);
    if (!grown)
        return false;
    reference->claims = grown;
    va_list arguments;
    va_start(arguments, format);
    char *text = NULL;
    int length = vasprintf(&text, format, arguments);
    va_end(arguments);
    if (length < 0)
        return false;
    reference->claims[reference->claim_count++] = text;
    return true;
}

const char *reference_module_type(const struct reference *reference)
{
    return reference->module_type;
}

int reference_version(const struct reference *reference)
{
    return reference->version;
}

bool reference_sleeps(const struct reference *reference)
{
    return reference->sleeps;
}

double reference_watch_s(const struct reference *reference)
{
    return reference->watch_s;
}

double reference_nominal_voltage_V(const struct reference *reference)
{
    return reference->nominal_voltage_V;
}

const struct accuracy *reference_accuracy(const struct reference *reference)
{
    return &reference->accuracy;
}

const struct conditions *reference_conditions(const struct reference *reference)
{
    return &reference->conditions;
}

size_t reference_claim_count(const struct reference *reference)
{
    return reference->claim_count;
}

const char *reference_claim(const struct reference *reference, size_t index)
{
    return reference->claims[index];
}
