/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the simulated supply is told: module files, faults, links, profiles; and
 * that the types which come with it wake as they should.
 */
#include "simulate/dialect.h"
#include "simulate/endpoint.h"
#include "simulate/output.h"
#include "simulate/supply_map.h"
#include "support/scratch.h"

#include <glob.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define MODULE                                                                                     \
    "[module]\nname = x\nnominal_voltage_V = 12\ncurrent_limit_A = 1\n"                            \
    "input_capacitor_F = 0.001\nwakes_above_V = 8\ndrops_below_V = 6\n"

static void assert_module_error(const char *content, long line, const char *found,
                                const char *expected)
{
    char directory[200], file[300];
    struct module_type type;
    struct error error = {0};
    scratch_make(directory, sizeof directory);
    scratch_write(directory, "m.ini", content, strlen(content), file, sizeof file);
    int result = module_type_read(file, &type, &error);
    scratch_remove(directory);
    assert_int_equal(result, -1);
    if (error.line != line || !strstr(error.found, found) || !strstr(error.expected, expected) ||
        strcmp(error.file, file) != 0 || error.status != EXIT_BAD_DATA) {
        print_error("line %ld: %s, expected %s\n", error.line, error.found, error.expected);
        fail();
    }
}

static void module_errors_say_where(void **state)
{
    (void)state;
    assert_module_error("", 0, "no phase", "[phase 1]");
    assert_module_error("name = x\n", 1, "before any section", "[module]");
    assert_module_error("[phase 1]\nname = x\n", 2, "[phase 1]", "[module] first");
    assert_module_error("[module]\nname = x\n[phase 1]\nname = y\n", 2, "key missing in [module]",
                        "nominal_voltage_V");
    assert_module_error(MODULE, 0, "no phase", "[phase 1]");
    assert_module_error(MODULE "colour = red\n", 8, "unknown key \"colour\"", "README");
    assert_module_error(MODULE "name = y\n", 8, "name twice", "once");
    assert_module_error(MODULE "sleep_A = little\n", 8, "little", "0 to 10 A");
    assert_module_error(MODULE "sleep_A = 11\n", 8, "11", "0 to 10 A");
    assert_module_error(MODULE "ignition = perhaps\n", 8, "perhaps", "on or off");
    assert_module_error(MODULE "[phase 2]\nname = y\n", 9, "[phase 2]", "from 1 in order");
    assert_module_error(MODULE "[phase 1]\nname = y\n", 9, "key missing in [phase 1]", "level_A");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\nlaw = ohm\n", 11, "ohm",
                        "resistive");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\npulse_A = 1\n", 9, "[phase 1]",
                        "pulse_period_s");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\ndecay_A = 1\n", 9, "[phase 1]",
                        "decay_s");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\nduration_s = 1\n", 0, "[phase 1]",
                        "every phase but the last");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\n[phase 2]\nname = z\n"
                               "level_A = 2\n",
                        0, "[phase 1]", "every phase but the last");
    assert_module_error(MODULE "resets_below_V = 7\n[phase 1]\nname = y\nlevel_A = 1\n", 0, "7, 6",
                        "resets_below_V");
    assert_module_error(MODULE "[phase 1]\nname = y\nlevel_A = 1\nend_level_A = 2\n", 0,
                        "[phase 1]", "end_level_A");
    assert_module_error(MODULE "[phase 1\n", 8, "neither", "[SECTION]");
}

static void module_defaults_and_units(void **state)
{
    (void)state;
    char directory[200], file[300];
    struct module_type type;
    struct error error = {0};
    static const char content[] =
        MODULE "unit_level_percent = 2\n[phase 1]\nname = y\nduration_s = 1\nlevel_A = 0.5\n"
               "law = 0.25\n[phase 2]\nname = z\nlevel_A = 0.3\nlaw = resistive\n";
    scratch_make(directory, sizeof directory);
    scratch_write(directory, "m.ini", content, strlen(content), file, sizeof file);
    assert_int_equal(module_type_read(file, &type, &error), 0);
    scratch_remove(directory);
    assert_true(type.unit_level == 0.02 && type.resets_below_V == 0.5 && !type.ignition);
    assert_int_equal(type.phase_count, 2);
    assert_true(type.phases[0].exponent == 0.25 && type.phases[1].exponent == 1);
    assert_true(type.phases[0].end_level_A == 0.5 && isinf(type.phases[1].duration_s));
}

/* Each type wakes through all its phases, in order, without meeting its own
 * current limit once its capacitor is full; its final draw is near what the
 * file says, at its nominal voltage. */
static void shipped_types_wake(void **state)
{
    (void)state;
    glob_t files;
    assert_int_equal(glob("signatures/harbour-lane/modules/*.ini", 0, NULL, &files), 0);
    assert_true(files.gl_pathc >= 6);
    int of_12_V = 0, of_24_V = 0;
    for (size_t i = 0; i < files.gl_pathc; i++) {
        print_message("%s\n", files.gl_pathv[i]);
        struct module_type type;
        struct error error = {0};
        assert_int_equal(module_type_read(files.gl_pathv[i], &type, &error), 0);
        of_12_V += type.nominal_V == 12;
        of_24_V += type.nominal_V == 24;
        const struct output_options options = {.most_V = 60,
                                               .most_A = 10,
                                               .slew_V_per_s = 400,
                                               .source_ohm = 0.01,
                                               .lead_ohm = 0.05,
                                               .sink_A = 0.1};
        struct fault fault = {.final_scale = 1};
        struct output output;
        assert_true(output_init(&output, &options, 0));
        output_put_on(&output, module_create(&type, "HL-0001", &fault, 0), &fault);
        output_set_voltage(&output, type.nominal_V);
        output_set_limit(&output, type.limit_A);
        output_switch(&output, true);
        int phase = 0;
        double time_s = 0;
        for (; phase < type.phase_count && time_s < 60; time_s += 0.002) {
            output_advance(&output, time_s);
            int now = module_phase(output.module);
            assert_true(now == phase || now == phase + 1);
            phase = now;
            assert_false(time_s > 0.2 && output.flow.limited);
        }
        assert_int_equal(phase, type.phase_count);
        const struct module_phase *last = &type.phases[phase - 1];
        double sum_A = 0;
        for (int n = 0; n < 5000; n++, time_s += 0.002) {
            output_advance(&output, time_s + 2);
            sum_A += output_current_A(&output);
        }
        double wanted_A = last->level_A;
        if (last->pulse_A > 0)
            wanted_A += last->pulse_A * last->pulse_width_s / last->pulse_period_s;
        assert_true(fabs(sum_A / 5000 / wanted_A - 1) < 0.08);
        output_clear(&output);
    }
    globfree(&files);
    assert_true(of_12_V >= 2 && of_24_V >= 2);
}

static void faults_that_are_none(void **state)
{
    (void)state;
    static const struct {
        const char *text, *found, *expected;
    } cases[] = {
        {"", "\"\"", "none"},
        {"sick", "sick", "stall:PHASE"},
        {"stall", "stall", "stall:PHASE"},
        {"stall:0", "stall:0", "from 1 to 3"},
        {"stall:4", "stall:4", "from 1 to 3"},
        {"stall:1.5", "stall:1.5", "from 1 to 3"},
        {"stall:one", "stall:one", "stall:PHASE"},
        {"stall:1:2", "stall:1:2", "stall:PHASE"},
        {"low:0", "low:0", "0.1 to 100"},
        {"low:101", "low:101", "0.1 to 100"},
        {"late:2", "late:2", "late:PHASE:FACTOR"},
        {"late:2:0", "late:2:0", "0.01 to 1000"},
        {"short:1", "short:1", "short"},
        {"low:15+", "\"\"", "none"},
        {"low:15+worse", "worse", "none"},
        {"restart:nan", "restart:nan", "restart:SECONDS"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct fault fault = {.stall_phase = 77};
        struct error error = {0};
        print_message("%s\n", cases[i].text);
        assert_int_equal(fault_parse(cases[i].text, 3, &fault, &error), -1);
        assert_non_null(strstr(error.found, cases[i].found));
        assert_non_null(strstr(error.expected, cases[i].expected));
        assert_int_equal(fault.stall_phase, 77);
    }
    struct fault fault;
    struct error error;
    assert_int_equal(fault_parse("high:12.5+late:3:0.5+leakage:0.01", 3, &fault, &error), 0);
    assert_true(fault.final_scale == 1.125 && fault.late_phase == 3 && fault.late_factor == 0.5 &&
                fault.leakage_A == 0.01);
}

static void links(void **state)
{
    (void)state;
    struct endpoint endpoint;
    struct error error;
    assert_int_equal(endpoint_parse("tcp:127.0.0.1:5025", &endpoint, &error), 0);
    assert_string_equal(endpoint.host, "127.0.0.1");
    assert_true(endpoint.port == 5025 && !endpoint.terminal && endpoint.speech == SPEECH_SCPI);
    assert_int_equal(endpoint_parse("tcp:[::1]:0", &endpoint, &error), 0);
    assert_string_equal(endpoint.host, "::1");
    assert_int_equal(endpoint_parse("modbus-rtu:/tmp/x?baud=19200&parity=none&stop=1&address=17",
                                    &endpoint, &error),
                     0);
    assert_string_equal(endpoint.path, "/tmp/x");
    assert_true(endpoint.baud == 19200 && endpoint.address == 17 && endpoint.terminal &&
                endpoint.speech == SPEECH_MODBUS_RTU);
    static const char *const bad[] = {
        "",
        "tcp",
        "tcp:",
        "tcp:5025",
        "tcp:h:",
        "tcp:h:-1",
        "tcp:h:65536",
        "tcp:h:1.5",
        "serial:",
        "usbtmc:/dev",
        "serial:/x?a=1",
        "serial:/x?baud=100",
        "Serial:/x",
        "tcp::5025",
        "serial:/x?baud",
        "modbus-tcp:h:1?address=0",
        "modbus:h:1",
        "serial:/x?baud=9600x",
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        print_message("%s\n", bad[i]);
        assert_int_equal(endpoint_parse(bad[i], &endpoint, &error), -1);
        assert_int_equal(error.status, EXIT_USAGE);
        assert_true(error.expected[0] != '\0');
    }
}

static void assert_map_error(const char *content, long line, const char *found,
                             const char *expected)
{
    char directory[200], file[300];
    struct supply_map map;
    struct error error = {0};
    scratch_make(directory, sizeof directory);
    scratch_write(directory, "p.ini", content, strlen(content), file, sizeof file);
    int result = supply_map_read(file, &map, &error);
    scratch_remove(directory);
    assert_int_equal(result, -1);
    if (error.line != line || !strstr(error.found, found) || !strstr(error.expected, expected)) {
        print_error("line %ld: %s, expected %s\n", error.line, error.found, error.expected);
        fail();
    }
}

static void map_errors_say_where(void **state)
{
    (void)state;
#define REGISTERS "[modbus]\nfunction = 3\nvoltage = 0,u16,big,0.01\n"
    assert_map_error("[supply]\nspeaks = morse\n", 2, "morse", "scpi or modbus");
    assert_map_error("[supplies]\nspeaks = scpi\n", 2, "[supplies]", "[supply]");
    assert_map_error("[supply]\nspeaks = modbus\n", 0, "missing", "function");
    assert_map_error("[supply]\nspeaks = modbus\n" REGISTERS, 0, "missing", "current");
    assert_map_error(REGISTERS "current = 1\n", 4, "current", "ADDRESS,TYPE");
    assert_map_error(REGISTERS "current = 1,u64,big,1\n", 4, "u64", "u16, s16");
    assert_map_error(REGISTERS "current = 1,u16,middle,1\n", 4, "middle", "little");
    assert_map_error(REGISTERS "current = 1,u16,big,0\n", 4, "big,0", "SCALE");
    assert_map_error(REGISTERS "current = 65536,u16,big,1\n", 4, "65536", "ADDRESS");
    assert_map_error(REGISTERS "output_on = 1,16\n", 4, "1,16", "ADDRESS,BIT");
    assert_map_error("[modbus]\nfunction = 5\n", 2, "5", "3 or 4");
    assert_map_error("[supply]\nvoltage_resolution_V = fine\n", 2, "fine", "a number");
}

static void dialect_becomes_plain(void **state)
{
    (void)state;
    static const struct supply_map map = {
        .messages = {[MESSAGE_READ_VOLTAGE] = "VOUT{output}?",
                     [MESSAGE_READ_CURRENT] = "MEAS:CURR?",
                     [MESSAGE_READ] = "ALL?",
                     [MESSAGE_SET_VOLTAGE] = "VSET{output}:{value}",
                     [MESSAGE_OUTPUT_ON] = "OUT1",
                     [MESSAGE_OUTPUT_OFF] = "OUTP OFF,(@{output})"}};
    struct dialect dialect;
    dialect_init(&dialect, &map, 2);
    /* what plain SCPI knows already is not the dialect's */
    assert_true(dialect.any && dialect.own[MESSAGE_READ_VOLTAGE]);
    assert_false(dialect.own[MESSAGE_READ_CURRENT]);
    assert_false(dialect.own[MESSAGE_OUTPUT_OFF]);
    static const char *const cases[][2] = {
        {"VOUT2?", ":MEAS:VOLT? (@2)"},
        {"vout1?\r", ":MEAS:VOLT? (@1)"},
        {"VSET1:12.50", ":VOLT 12.50,(@1)"},
        {"VSET2:-1e1", ":VOLT -1e1,(@2)"},
        {"ALL?", ":MEAS:VOLT? (@1);:MEAS:CURR? (@1)"},
        {"OUT1", ":OUTP ON,(@1);:OUTP ON,(@2)"},
        {"VOUT1?;VOUT2?", ":MEAS:VOLT? (@1);:MEAS:VOLT? (@2)"},
        {"VOUT1?;*IDN?", ":MEAS:VOLT? (@1);*IDN?"},
        {"VOUT?", "VOUT?"},
        {"VOUT0?", "VOUT0?"},
        {"VOUT1? ", ":MEAS:VOLT? (@1)"},
        {"VSET1:", "VSET1:"},
        {"VSET1:5x", "VSET1:5x"},
        {"VOLT 5;CURR 1", "VOLT 5;CURR 1"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char plain[200];
        size_t length =
            dialect_translate(&dialect, cases[i][0], strlen(cases[i][0]), plain, sizeof plain);
        assert_int_equal(length, strlen(cases[i][1]));
        assert_memory_equal(plain, cases[i][1], length);
    }
    /* no room: nothing, never half */
    char little[20];
    assert_int_equal(dialect_translate(&dialect, "ALL?", 4, little, sizeof little), 0);
    assert_int_equal(dialect_translate(&dialect, "OUT1", 4, little, sizeof little), 0);
    assert_int_equal(dialect_translate(&dialect, "VOUT1?;VOUT1?", 13, little, sizeof little), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(module_errors_say_where),
        cmocka_unit_test(module_defaults_and_units),
        cmocka_unit_test(shipped_types_wake),
        cmocka_unit_test(faults_that_are_none),
        cmocka_unit_test(links),
        cmocka_unit_test(dialect_becomes_plain),
        cmocka_unit_test(map_errors_say_where),
    };
    return cmocka_run_group_tests_name("simulated supply's files", tests, NULL, NULL);
}
