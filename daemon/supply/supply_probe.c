/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/supply_probe.h"

#include "supply/supply_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Installed profiles in the order in which they are tried. */
static const char *const scpi_candidates[] = {"scpi", "scpi-channel-list", "scpi-nselect", "terse"};

static bool reads_by(const char *name, const struct link_spec *spec, struct reading *reading,
                     char identity[160], struct error *error)
{
    struct profile *profile = profile_load(name, error);
    struct connection *connection = NULL;
    struct supply *supply = NULL;
    bool good = false;
    if (profile)
        connection = connection_create(profile, spec, error);
    if (connection)
        supply = supply_create(connection, 1, false, error);
    if (supply && connection_open(connection, error) == 0) {
        snprintf(identity, 160, "%s", connection->identity);
        bool repeat = false;
        good = supply_read(supply, reading, &repeat, error) == SUPPLY_OK;
    }
    supply_destroy(supply);
    connection_destroy(connection);
    profile_destroy(profile);
    return good;
}

static int probe_scpi(const struct link_spec *spec, struct supply_finding *finding,
                      struct error *error)
{
    char identity[160] = "";
    for (size_t i = 0; i < sizeof scpi_candidates / sizeof *scpi_candidates; i++) {
        struct reading reading;
        struct error problem = {0};
        if (reads_by(scpi_candidates[i], spec, &reading, identity, &problem)) {
            snprintf(finding->answer, sizeof finding->answer, "%s",
                     identity[0] ? identity : "answers readings, does not say who it is");
            snprintf(finding->profile, sizeof finding->profile, "%s", scpi_candidates[i]);
            snprintf(finding->note, sizeof finding->note, "reads %.4g V, %.4g A%s",
                     reading.voltage_V, reading.current_A,
                     i == 0 ? "; with several outputs, scpi-channel-list or scpi-nselect" : "");
            return 0;
        }
        *error = problem;
        /* Nobody there, or in use: the other profiles would find no more. */
        if (!identity[0] && i == 0)
            break;
    }
    if (!identity[0])
        return -1;
    snprintf(finding->answer, sizeof finding->answer, "%s", identity);
    snprintf(finding->note, sizeof finding->note,
             "answers *IDN?, but none of the installed profiles reads it: write one "
             "(daemon/profiles/README.md)");
    return 0;
}

/* Does the unit answer this function at all? An exception is an answer too. */
static bool unit_answers(const struct link_spec *spec, int function, bool *exception,
                         struct error *error)
{
    struct profile asking = {
        .name = "identify",
        .speaks = PROFILE_MODBUS,
        .rated_voltage_V = NAN,
        .rated_current_A = NAN,
        .outputs = 1,
        .reply_timeout_s = 1,
        .modbus =
            {.function = function,
             .byte_timeout_s = 0.2,
             .voltage = {.known = true, .function = function, .type = REGISTER_U16, .scale = 1}},
    };
    struct connection *connection = connection_create(&asking, spec, error);
    bool answers = connection && connection_open(connection, error) == 0;
    *exception = answers && connection->supply_errors > 0;
    connection_destroy(connection);
    return answers;
}

static int probe_modbus(const struct link_spec *spec, struct supply_finding *finding,
                        struct error *error)
{
    bool holding_exception = false;
    bool input_exception = false;
    struct error second = {0};
    bool holding = unit_answers(spec, 3, &holding_exception, error);
    bool input = unit_answers(spec, 4, &input_exception, &second);
    if (!holding && !input)
        return -1;
    static const char *const words[] = {"says nothing", "makes an exception", "answers"};
    snprintf(finding->answer, sizeof finding->answer,
             "unit %d %s to function 3 and %s to function 4 at register 0", spec->address,
             words[holding ? (holding_exception ? 1 : 2) : 0],
             words[input ? (input_exception ? 1 : 2) : 0]);
    snprintf(finding->note, sizeof finding->note,
             "Modbus does not say which registers hold volts and amperes: write a profile from "
             "the supply's register list (daemon/profiles/README.md), then --profile FILE "
             "--readings 5");
    return 0;
}

int supply_probe(const struct link_spec *spec, struct supply_finding *finding, struct error *error)
{
    memset(finding, 0, sizeof *finding);
    bool modbus = spec->kind == LINK_MODBUS_RTU || spec->kind == LINK_MODBUS_TCP ||
                  spec->kind == LINK_MODBUS_RTU_TCP;
    return modbus ? probe_modbus(spec, finding, error) : probe_scpi(spec, finding, error);
}
