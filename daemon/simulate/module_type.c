/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/module_type.h"

#include "base/ini_file.h"
#include "simulate/data_path.h"

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

enum key_form { FORM_NUMBER, FORM_PERCENT, FORM_SWITCH, FORM_TEXT, FORM_LAW };

struct key {
    const char *name, *unit;
    size_t offset;
    double low, high;
    enum key_form form;
    bool needed;
};

#define OF_TYPE(field) offsetof(struct module_type, field)
static const struct key type_keys[] = {
    {"name", "", OF_TYPE(name), 0, 0, FORM_TEXT, true},
    {"nominal_voltage_V", "V", OF_TYPE(nominal_V), 1, 100, FORM_NUMBER, true},
    {"current_limit_A", "A", OF_TYPE(limit_A), 0.01, 100, FORM_NUMBER, true},
    {"input_capacitor_F", "F", OF_TYPE(input_capacitor_F), 1e-7, 1, FORM_NUMBER, true},
    {"wakes_above_V", "V", OF_TYPE(wakes_above_V), 0.5, 100, FORM_NUMBER, true},
    {"drops_below_V", "V", OF_TYPE(drops_below_V), 0.5, 100, FORM_NUMBER, true},
    {"resets_below_V", "V", OF_TYPE(resets_below_V), 0.01, 100, FORM_NUMBER, false},
    {"hangs_without_reset", "", OF_TYPE(hangs_without_reset), 0, 0, FORM_SWITCH, false},
    {"ignition", "", OF_TYPE(ignition), 0, 0, FORM_SWITCH, false},
    {"sleep_A", "A", OF_TYPE(sleep_A), 0, 10, FORM_NUMBER, false},
    {"quiescent_A", "A", OF_TYPE(quiescent_A), 0, 10, FORM_NUMBER, false},
    {"after_run_A", "A", OF_TYPE(after_run_A), 0, 100, FORM_NUMBER, false},
    {"after_run_s", "s", OF_TYPE(after_run_s), 0, 1e5, FORM_NUMBER, false},
    {"warm_up_percent", "%", OF_TYPE(warm_up_share), -50, 50, FORM_PERCENT, false},
    {"warm_up_s", "s", OF_TYPE(warm_up_s), 0.1, 1e5, FORM_NUMBER, false},
    {"self_heating_C", "C", OF_TYPE(self_heating_C), 0, 100, FORM_NUMBER, false},
    {"self_heating_s", "s", OF_TYPE(self_heating_s), 0.1, 1e5, FORM_NUMBER, false},
    {"unit_level_percent", "%", OF_TYPE(unit_level), 0, 30, FORM_PERCENT, false},
    {"unit_phase_level_percent", "%", OF_TYPE(unit_phase_level), 0, 30, FORM_PERCENT, false},
    {"unit_duration_percent", "%", OF_TYPE(unit_duration), 0, 50, FORM_PERCENT, false},
    {"power_up_level_percent", "%", OF_TYPE(power_up_level), 0, 30, FORM_PERCENT, false},
    {"power_up_duration_percent", "%", OF_TYPE(power_up_duration), 0, 50, FORM_PERCENT, false},
};

#define OF_PHASE(field) offsetof(struct module_phase, field)
static const struct key phase_keys[] = {
    {"name", "", OF_PHASE(name), 0, 0, FORM_TEXT, true},
    {"duration_s", "s", OF_PHASE(duration_s), 0.001, 1e5, FORM_NUMBER, false},
    {"level_A", "A", OF_PHASE(level_A), 0, 100, FORM_NUMBER, true},
    {"end_level_A", "A", OF_PHASE(end_level_A), 0, 100, FORM_NUMBER, false},
    {"law", "", OF_PHASE(exponent), -1, 1, FORM_LAW, false},
    {"decay_A", "A", OF_PHASE(decay_A), 0, 100, FORM_NUMBER, false},
    {"decay_s", "s", OF_PHASE(decay_s), 0.001, 1e4, FORM_NUMBER, false},
    {"pulse_A", "A", OF_PHASE(pulse_A), 0, 100, FORM_NUMBER, false},
    {"pulse_period_s", "s", OF_PHASE(pulse_period_s), 0.01, 1e4, FORM_NUMBER, false},
    {"pulse_width_s", "s", OF_PHASE(pulse_width_s), 0.001, 1e4, FORM_NUMBER, false},
    {"ripple_A", "A", OF_PHASE(ripple_A), 0, 10, FORM_NUMBER, false},
};

enum {
    TYPE_KEYS = sizeof type_keys / sizeof *type_keys,
    PHASE_KEYS = sizeof phase_keys / sizeof *phase_keys
};

struct reader {
    struct module_type *type;
    char section[80];
    long section_line;
    uint32_t type_seen, phase_seen;
    bool has_type;
};

/* constant-power, linear, resistive or a number from -1 to 1. */
static int read_law(const struct ini_pair *pair, double *exponent, struct error *error)
{
    static const struct {
        const char *word;
        double exponent;
    } laws[] = {{"constant-power", -1}, {"linear", 0}, {"resistive", 1}};
    for (size_t i = 0; i < sizeof laws / sizeof *laws; i++) {
        if (strcmp(laws[i].word, pair->value) == 0) {
            *exponent = laws[i].exponent;
            return 0;
        }
    }
    struct error number_error;
    if (ini_number(pair, -1, 1, "", exponent, &number_error) == 0)
        return 0;
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                     "constant-power, linear, resistive or an exponent from -1 to 1",
                     "law: found \"%s\"", pair->value);
}

static int read_key(const struct ini_pair *pair, const struct key *keys, int count, void *target,
                    uint32_t *seen, struct error *error)
{
    for (int i = 0; i < count; i++) {
        if (strcmp(keys[i].name, pair->key) != 0)
            continue;
        if (*seen & (1U << i))
            return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "each key once",
                             "found %s twice in [%s]", pair->key, pair->section);
        *seen |= 1U << i;
        void *field = (char *)target + keys[i].offset;
        switch (keys[i].form) {
        case FORM_NUMBER:
            return ini_number(pair, keys[i].low, keys[i].high, keys[i].unit, field, error);
        case FORM_PERCENT:
            if (ini_number(pair, keys[i].low, keys[i].high, "%", field, error) != 0)
                return -1;
            *(double *)field /= 100;
            return 0;
        case FORM_SWITCH:
            return ini_switch(pair, field, error);
        case FORM_LAW:
            return read_law(pair, field, error);
        case FORM_TEXT:
            if (strlen(pair->value) >= 80)
                return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                                 "at most 79 characters", "%s: found more", pair->key);
            snprintf(field, 80, "%s", pair->value);
            return 0;
        }
    }
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                     "a key of signatures/harbour-lane/modules/README.md",
                     "unknown key \"%s\" in [%s]", pair->key, pair->section);
}

static int check_needed(const struct reader *reader, const struct key *keys, int count,
                        uint32_t seen, struct error *error)
{
    for (int i = 0; i < count; i++)
        if (keys[i].needed && !(seen & (1U << i)))
            return error_set(error, EXIT_BAD_DATA, reader->type->path, reader->section_line,
                             keys[i].name, "key missing in [%s]", reader->section);
    return 0;
}

static int close_section(struct reader *reader, struct error *error)
{
    struct module_type *type = reader->type;
    if (reader->section[0] == '\0')
        return 0;
    if (strcmp(reader->section, "module") == 0)
        return check_needed(reader, type_keys, TYPE_KEYS, reader->type_seen, error);
    if (check_needed(reader, phase_keys, PHASE_KEYS, reader->phase_seen, error) != 0)
        return -1;
    struct module_phase *phase = &type->phases[type->phase_count - 1];
    if (isnan(phase->end_level_A))
        phase->end_level_A = phase->level_A;
    if ((phase->pulse_A > 0) != (phase->pulse_period_s > 0) ||
        (phase->pulse_A > 0) != (phase->pulse_width_s > 0) ||
        phase->pulse_width_s > phase->pulse_period_s)
        return error_set(error, EXIT_BAD_DATA, type->path, reader->section_line,
                         "pulse_A, pulse_period_s and pulse_width_s together, the width within "
                         "the period",
                         "found other in [%s]", reader->section);
    if ((phase->decay_A > 0) != (phase->decay_s > 0))
        return error_set(error, EXIT_BAD_DATA, type->path, reader->section_line,
                         "decay_A and decay_s together", "found one in [%s]", reader->section);
    return 0;
}

static int open_section(struct reader *reader, const struct ini_pair *pair, struct error *error)
{
    struct module_type *type = reader->type;
    if (close_section(reader, error) != 0)
        return -1;
    snprintf(reader->section, sizeof reader->section, "%s", pair->section);
    reader->section_line = pair->line;
    if (strcmp(pair->section, "module") == 0 && !reader->has_type) {
        reader->has_type = true;
        return 0;
    }
    char expected[40];
    snprintf(expected, sizeof expected, "phase %d", type->phase_count + 1);
    if (!reader->has_type)
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "[module] first",
                         "found [%s]", pair->section);
    if (strcmp(pair->section, expected) != 0 || type->phase_count == MOST_PHASES)
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                         "phases numbered from 1 in order, at most 16", "found [%s]",
                         pair->section);
    reader->phase_seen = 0;
    type->phases[type->phase_count++] =
        (struct module_phase){.duration_s = INFINITY, .end_level_A = NAN, .exponent = -1};
    return 0;
}

static int take_pair(void *context, const struct ini_pair *pair, struct error *error)
{
    struct reader *reader = context;
    if (strcmp(pair->section, reader->section) != 0 && open_section(reader, pair, error) != 0)
        return -1;
    if (!pair->key[0])
        return 0; /* what it needs is said when it closes */
    if (reader->section[0] == '\0')
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "[module] first",
                         "found \"%s\" before any section", pair->key);
    if (strcmp(reader->section, "module") == 0)
        return read_key(pair, type_keys, TYPE_KEYS, reader->type, &reader->type_seen, error);
    return read_key(pair, phase_keys, PHASE_KEYS,
                    &reader->type->phases[reader->type->phase_count - 1], &reader->phase_seen,
                    error);
}

static int check_whole(const struct module_type *type, struct error *error)
{
    if (type->phase_count == 0)
        return error_set(error, EXIT_BAD_DATA, type->path, 0, "[module] and [phase 1]",
                         "no phase found");
    for (int i = 0; i < type->phase_count; i++)
        if (isinf(type->phases[i].duration_s) != (i == type->phase_count - 1))
            return error_set(error, EXIT_BAD_DATA, type->path, 0,
                             "duration_s in every phase but the last", "found other in [phase %d]",
                             i + 1);
    const struct module_phase *last = &type->phases[type->phase_count - 1];
    if (last->end_level_A != last->level_A)
        return error_set(error, EXIT_BAD_DATA, type->path, 0, "no end_level_A in the last phase",
                         "found one in [phase %d]", type->phase_count);
    if (!(type->drops_below_V < type->wakes_above_V && type->wakes_above_V < type->nominal_V &&
          type->resets_below_V < type->drops_below_V))
        return error_set(error, EXIT_BAD_DATA, type->path, 0,
                         "resets_below_V < drops_below_V < wakes_above_V < nominal_voltage_V",
                         "found %g, %g, %g, %g", type->resets_below_V, type->drops_below_V,
                         type->wakes_above_V, type->nominal_V);
    return 0;
}

int module_type_read(const char *path, struct module_type *type, struct error *error)
{
    *type = (struct module_type){
        .resets_below_V = 0.5,
        .quiescent_A = 0.003,
        .sleep_A = 0.001,
        .warm_up_s = 30,
        .self_heating_s = 60,
        .unit_level = 0.015,
        .unit_phase_level = 0.007,
        .unit_duration = 0.03,
        .power_up_level = 0.002,
        .power_up_duration = 0.008,
    };
    snprintf(type->path, sizeof type->path, "%s", path);
    struct reader reader = {.type = type};
    if (ini_file_read(path, take_pair, &reader, error) != 0 || close_section(&reader, error) != 0)
        return -1;
    return check_whole(type, error);
}

int module_type_find(const char *name_or_path, struct module_type *type, struct error *error)
{
    static const struct data_kind kind = {"WAKEDRAW_MODULES", "signatures/harbour-lane/modules",
                                          "modules"};
    char path[512], names[200], expected[240];
    if (data_path(&kind, name_or_path, path) == 0)
        return module_type_read(path, type, error);
    snprintf(expected, sizeof expected, "a path, or one of %s",
             data_names(&kind, names, sizeof names));
    return error_set(error, EXIT_NO_INPUT, name_or_path, 0, expected, "no such module");
}
