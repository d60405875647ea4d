/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"
#include "base/error.h"
#include "base/options.h"
#include "commands/commands.h"
#include "commands/identify_find.h"
#include "commands/identify_walk.h"
#include "supply/supply.h"

#include <jansson.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct wishes {
    const char *check, *profile;
    double readings, output, wait_s;
    bool json, all, find;
    struct find_wishes found;
};

static int check_profile(const char *path)
{
    struct error error = {0};
    struct profile *profile = profile_load(path, &error);
    if (!profile) {
        error_print(&error);
        return (int)error.status;
    }
    const struct accuracy *accuracy = profile_accuracy(profile);
    printf("%s: a sound profile; reads current in steps of %g A within %g %% + %g A, voltage in "
           "steps of %g V within %g %% + %g V\n",
           path, accuracy->current_resolution_A, 100 * accuracy->current_gain,
           accuracy->current_offset_A, accuracy->voltage_resolution_V, 100 * accuracy->voltage_gain,
           accuracy->voltage_offset_V);
    profile_destroy(profile);
    return EXIT_OK;
}

static json_t *flag_json(enum known_flag flag)
{
    return flag == FLAG_UNKNOWN ? json_null() : json_boolean(flag == FLAG_YES);
}

static json_t *number_json(double number)
{
    return isnan(number) ? json_null() : json_real(number);
}

static json_t *text_json(const char *text)
{
    return text[0] ? json_string(text) : json_null();
}

/* Whoever reads along is woken now and then, not between two readings. */
static const double FLUSH_EVERY_S = 0.25;

static void print_json(json_t *object)
{
    static double flushed_s;
    json_dumpf(object, stdout, JSON_COMPACT);
    putchar('\n');
    json_decref(object);
    double now_s = clock_monotonic_s();
    if (now_s - flushed_s < FLUSH_EVERY_S)
        return;
    fflush(stdout);
    flushed_s = now_s;
}

static void print_reading(const struct reading *reading, bool repeat, const struct wishes *wishes)
{
    if (wishes->json)
        print_json(json_pack("{s:f, s:o, s:o, s:b, s:o, s:o, s:b}", "time_s", reading->time_s,
                             "voltage_V", number_json(reading->voltage_V), "current_A",
                             number_json(reading->current_A), "valid", reading->valid, "output_on",
                             flag_json(reading->output_on), "limited", flag_json(reading->limited),
                             "repeat", repeat));
    else
        printf("  %10.4f s  %9.4f V  %9.5f A%s%s%s\n", reading->time_s, reading->voltage_V,
               reading->current_A, reading->output_on == FLAG_NO ? "  output off" : "",
               reading->limited == FLAG_YES ? "  in current limit" : "", repeat ? "  again" : "");
}

static void print_wire(const struct connection *connection, double begun_s, double count,
                       const struct wishes *wishes)
{
    struct wire_state state;
    connection_wire_state(connection, &state);
    double seconds = clock_monotonic_s() - begun_s;
    double rate_hz = seconds > 0 && count > 0 ? count / seconds : (double)NAN;
    if (wishes->json) {
        print_json(json_pack(
            "{s:o, s:o, s:s, s:o, s:o, s:o, s:I, s:I, s:I, s:I, s:I, s:I, s:o, s:o, s:o}",
            "rate_hz", number_json(rate_hz), "limit_hz", number_json(state.limit_hz), "limit_why",
            state.limit_why, "limit_computed_hz", number_json(state.limit_computed_hz),
            "limit_share", number_json(state.limit_share), "conversion_hz",
            number_json(state.conversion_hz), "transactions", (json_int_t)state.transactions,
            "timeouts", (json_int_t)state.timeouts, "garbled", (json_int_t)state.garbled,
            "resynchronised", (json_int_t)state.resynchronised, "supply_errors",
            (json_int_t)state.supply_errors, "repeats", (json_int_t)state.repeats, "device",
            text_json(state.device), "usb_serial", text_json(state.usb_serial), "low_latency",
            text_json(link_latency_word(state.low_latency))));
        return;
    }
    printf("  %.1f readings/s of %.1f that the wire allows (%s): %.1f %%\n", rate_hz,
           state.limit_hz, state.limit_why, 100 * rate_hz / state.limit_hz);
    if (state.low_latency != LINK_LATENCY_NONE)
        printf("  low latency of the converter: %s\n", link_latency_word(state.low_latency));
    if (state.usb_serial[0])
        printf("  USB serial number %s\n", state.usb_serial);
    if (!isnan(state.conversion_hz))
        printf("  the readback renews %.1f times a second\n", state.conversion_hz);
    if (state.timeouts + state.garbled + state.supply_errors > 0)
        printf("  %llu answers missing, %llu garbled, %llu errors of the supply's own\n",
               (unsigned long long)state.timeouts, (unsigned long long)state.garbled,
               (unsigned long long)state.supply_errors);
}

/* Reads as the daemon would; a supply that goes away is opened again. */
static int read_some(struct connection *connection, struct supply *supply,
                     const struct wishes *wishes, struct error *error)
{
    double begun_s = 0;
    double zero_s = 0;
    double next_s = 0;
    double got = 0;
    int missed_in_a_row = 0;
    while (got < wishes->readings) {
        clock_sleep_until(next_s);
        double now_s = clock_monotonic_s();
        double interval_s = supply_poll_interval_s(supply);
        next_s = next_s + 5 * interval_s < now_s ? now_s + interval_s : next_s + interval_s;
        struct reading reading;
        bool repeat = false;
        enum supply_result result = supply_read(supply, &reading, &repeat, error);
        if (result == SUPPLY_OK) {
            /* The first reading found out how to ask; the rate counts from it. */
            if (begun_s == 0) {
                begun_s = clock_monotonic_s();
                zero_s = reading.time_s;
            }
            missed_in_a_row = 0;
            got++;
            reading.time_s -= zero_s;
            reading_quantise(&reading);
            print_reading(&reading, repeat, wishes);
            continue;
        }
        if (++missed_in_a_row > 20)
            return -1;
        if (wishes->json)
            print_json(json_pack("{s:s}", "problem", error->found));
        while (result == SUPPLY_GONE && connection_open(connection, error) != 0) {
            if (++missed_in_a_row > 20)
                return -1;
            clock_sleep_until(clock_monotonic_s() + 0.2);
        }
    }
    print_wire(connection, begun_s, got - 1, wishes);
    return 0;
}

static int show_readings(const struct link_spec *spec, const struct wishes *wishes)
{
    struct error error = {0};
    struct profile *profile = profile_load(wishes->profile, &error);
    struct connection *connection = NULL;
    struct supply *supply = NULL;
    int failed = -1;
    if (profile)
        connection = connection_create(profile, spec, &error);
    if (connection)
        supply = supply_create(connection, (int)wishes->output, false, &error);
    if (supply && connection_open(connection, &error) == 0) {
        struct wire_state state;
        connection_wire_state(connection, &state);
        if (!wishes->json)
            printf("%s: %s\n", spec->text, state.identity[0] ? state.identity : "answers");
        failed = wishes->readings > 0 ? read_some(connection, supply, wishes, &error) : 0;
    }
    supply_destroy(supply);
    connection_destroy(connection);
    profile_destroy(profile);
    if (failed)
        error_print(&error);
    return failed ? (int)error.status : EXIT_OK;
}

static int find_registers(const struct link_spec *spec, const struct wishes *wishes)
{
    if (spec->kind != LINK_MODBUS_RTU && spec->kind != LINK_MODBUS_TCP &&
        spec->kind != LINK_MODBUS_RTU_TCP) {
        struct error error = {0};
        error_set(&error, EXIT_USAGE, spec->text, 0, "a Modbus link", "--find-registers");
        error_print(&error);
        return EXIT_USAGE;
    }
    struct find_wishes found = wishes->found;
    found.json = wishes->json;
    return identify_find(spec, &found);
}

static int identify_one(const char *text, const struct wishes *wishes)
{
    struct link_spec spec;
    struct error error = {0};
    if (link_parse(text, &spec, &error) != 0) {
        error_print(&error);
        return (int)error.status;
    }
    if (wishes->find)
        return find_registers(&spec, wishes);
    if (wishes->profile)
        return show_readings(&spec, wishes);
    return identify_walk(&spec, wishes->all, wishes->wait_s, wishes->json);
}

int command_identify(int argc, char **argv)
{
    struct wishes wishes = {.output = 1, .found = {.to = 511}};
    struct find_wishes *found = &wishes.found;
    const struct command_option options[] = {
        {"check", "PROFILE", OPTION_TEXT, &wishes.check, 0, 0,
         "check a profile (a name or a path); opens nothing"},
        {"profile", "PROFILE", OPTION_TEXT, &wishes.profile, 0, 0,
         "speak by this profile instead of finding one"},
        {"readings", "N", OPTION_NUMBER, &wishes.readings, 0, 1e9,
         "with --profile: show N readings, the rate reached and the wire's limit"},
        {"output", "N", OPTION_NUMBER, &wishes.output, 1, 64, "which output (1)"},
        {"all", NULL, OPTION_SWITCH, &wishes.all, 0, 0,
         "go on to every other Modbus address of the line that answered"},
        {"wait", "S", OPTION_NUMBER, &wishes.wait_s, 0.02, 10,
         "for an answer while walking, seconds (0.2 over Modbus, else 0.4)"},
        {"find-registers", NULL, OPTION_SWITCH, &wishes.find, 0, 0,
         "find an undocumented Modbus supply's registers, step by step at its panel"},
        {"write", "FILE", OPTION_TEXT, &found->write, 0, 0, "with it: the profile to be written"},
        {"rated-voltage", "V", OPTION_NUMBER, &found->rated_V, 1, 1000,
         "with it: what the supply can give (this and the next six are asked for)"},
        {"rated-current", "A", OPTION_NUMBER, &found->rated_A, 0.05, 1000, "the same"},
        {"most-voltage", "V", OPTION_NUMBER, &found->most_V, 0.1, 1000,
         "the most that may be asked for at the panel"},
        {"most-current", "A", OPTION_NUMBER, &found->most_A, 0.001, 1000, "the same"},
        {"panel-step-voltage", "V", OPTION_NUMBER, &found->step_V, 1e-4, 1,
         "the panel's last digit"},
        {"panel-step-current", "A", OPTION_NUMBER, &found->step_A, 1e-5, 1, "the same"},
        {"load", "LOAD", OPTION_TEXT, &found->load, 0, 0,
         "what can be connected: none, joined (the leads), other, or OHM,W"},
        {"from", "N", OPTION_NUMBER, &found->from, 0, 65535, "first register looked at (0)"},
        {"to", "N", OPTION_NUMBER, &found->to, 0, 65535, "last one (511)"},
        {"json", NULL, OPTION_SWITCH, &wishes.json, 0, 0,
         "what is found, or the readings, as JSON, one a line"},
    };
    const struct command_usage usage = {
        .name = "identify",
        .arguments = "LINK...",
        .summary = "Asks a link what answers there.",
        .details =
            "Opens only the links named (opening a serial port toggles lines that reset\n"
            "some devices) and sends nothing but questions; nothing is switched, selected or\n"
            "set. A Modbus unit is read with functions 3 and 4 alone. What a link leaves out\n"
            "(baud, parity, stop, address) is walked, likeliest first; what it gives is kept.\n\n"
            "LINK: serial:/dev/ttyUSB0    or all of it: serial:/dev/ttyUSB0?baud=115200\n"
            "      tcp:HOST:PORT    usbtmc:/dev/usbtmc0\n"
            "      modbus-rtu:/dev/ttyUSB0?baud=9600&parity=none&stop=1&address=1\n"
            "      modbus-tcp:HOST:PORT?address=1    modbus-rtu-tcp:HOST:PORT?address=1\n"
            "A device on USB can be named by its serial number instead of a path, as in\n"
            "serial:usb-serial=NUMBER?baud=9600; interface=N says which of its ports.\n"
            "With --profile, what is left out is 115200 baud (9600 over Modbus), parity none,\n"
            "1 stop bit, address 1.\n\n"
            "Exit: 0 something answers on every link; 65 a bad profile; 69 nothing answers.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 0,
        .most_arguments = SIZE_MAX,
    };
    int first = 0;
    enum options_result result = options_read(argc, argv, &usage, &first);
    if (result != OPTIONS_READ)
        return result == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    const char *wrong = NULL;
    if (!wishes.check && first == argc)
        wrong = "missing: LINK or --check PROFILE";
    else if (wishes.find && (!found->write || argc - first != 1))
        wrong = "--find-registers needs --write FILE and one LINK";
    else if (found->from > found->to)
        wrong = "--from is above --to";
    else if (wishes.readings > 0 && !wishes.profile)
        wrong = "--readings needs --profile";
    if (wrong) {
        fprintf(stderr, "wakedraw identify: %s; see wakedraw identify --help\n", wrong);
        return EXIT_USAGE;
    }
    int status = wishes.check ? check_profile(wishes.check) : EXIT_OK;
    for (int i = first; i < argc; i++) {
        int one = identify_one(argv[i], &wishes);
        if (status == EXIT_OK)
            status = one;
    }
    return status;
}
