/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_content.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define assert_near(a, b, tolerance) assert_true(fabs((a) - (b)) <= (tolerance))

static char path[] = "/tmp/wakedraw-profile-XXXXXX.ini";

static struct profile *load(const char *text, struct error *error)
{
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
    memset(error, 0, sizeof *error);
    return profile_load(path, error);
}

static void test_installed(void **state)
{
    (void)state;
    static const char *const names[] = {"scpi",         "scpi-nselect",     "scpi-channel-list",
                                        "terse",        "modbus-input-f32", "modbus-holding-u16",
                                        "modbus-coils", "terse-status",     "scpi-array"};
    assert_int_equal(setenv("WAKEDRAW_PROFILES", "daemon/profiles", 1), 0);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct error error = {0};
        struct profile *profile = profile_load(names[i], &error);
        if (!profile) {
            char line[1200];
            fail_msg("%s", error_text(&error, line, sizeof line));
        }
        assert_string_equal(profile_name(profile), names[i]);
        assert_string_equal(profile_accuracy(profile)->profile, names[i]);
        assert_true(profile_accuracy(profile)->current_resolution_A > 0);
        profile_destroy(profile);
    }
    struct error error = {0};
    assert_null(profile_load("no-such-supply", &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_non_null(strstr(error.found, "daemon/profiles"));
}

static void test_scpi_values(void **state)
{
    (void)state;
    struct error error;
    struct profile *profile = load("[supply]\n"
                                   "speaks = scpi\n"
                                   "current_resolution_A = 0.0001\n"
                                   "current_accuracy = 0.5, 0.02\n"
                                   "voltage_resolution_V = 0.01\n"
                                   "voltage_accuracy = 0.1,0.03\n"
                                   "rated_voltage_V = 32\n"
                                   "rated_current_A = 5\n"
                                   "outputs = 2\n"
                                   "reply_timeout_s = 0.25\n"
                                   "[scpi]\n"
                                   "read = V{output}O?;I{output}O?\n"
                                   "identify = none\n"
                                   "terminator = CRLF\n"
                                   "reply_end = gap\n",
                                   &error);
    assert_non_null(profile);
    const struct accuracy *accuracy = profile_accuracy(profile);
    assert_near(accuracy->current_resolution_A, 0.0001, 0);
    assert_near(accuracy->current_gain, 0.005, 1e-15);
    assert_near(accuracy->current_offset_A, 0.02, 0);
    assert_near(accuracy->voltage_gain, 0.001, 1e-15);
    assert_near(accuracy->voltage_offset_V, 0.03, 0);
    assert_near(profile->rated_current_A, 5, 0);
    assert_near(profile->reply_timeout_s, 0.25, 0);
    assert_int_equal(profile->outputs, 2);
    assert_string_equal(profile->scpi.read, "V{output}O?;I{output}O?");
    assert_string_equal(profile->scpi.identify, "");
    assert_string_equal(profile->scpi.clear, "*CLS");
    assert_int_equal(profile->scpi.terminator, LINE_END_CRLF);
    assert_int_equal(profile->scpi.reply_end, LINE_END_GAP);
    assert_int_equal(profile->scpi.limited_bit.bit, -1);
    profile_destroy(profile);
}

static void test_modbus_values(void **state)
{
    (void)state;
    struct error error;
    struct profile *profile = load("[supply]\nspeaks = modbus\n[modbus]\nfunction = 3\n"
                                   "voltage = 0x10,u32,little,0.001\n"
                                   "current = 18 , s16 , big , 0.01\n"
                                   "output_on = 20,15,inverted\n"
                                   "limited = 20,3\n",
                                   &error);
    assert_non_null(profile);
    const struct modbus_profile *modbus = &profile->modbus;
    assert_int_equal(modbus->function, 3);
    assert_int_equal(modbus->voltage.address, 16);
    assert_int_equal(modbus->voltage.type, REGISTER_U32);
    assert_true(modbus->voltage.little);
    assert_near(modbus->voltage.scale, 0.001, 0);
    assert_int_equal(modbus->current.type, REGISTER_S16);
    assert_false(modbus->current.little);
    assert_true(modbus->output_on.inverted);
    assert_int_equal(modbus->output_on.bit, 15);
    assert_false(modbus->limited.inverted);
    assert_false(modbus->set_voltage.known);
    assert_true(isnan(profile->rated_voltage_V));
    profile_destroy(profile);
}

static void test_modbus_functions(void **state)
{
    (void)state;
    struct error error;
    struct profile *profile = load("[supply]\nspeaks = modbus\noutputs = 2\n[modbus]\n"
                                   "current_function = 3\n"
                                   "voltage = 1,f32,little-swapped,1\nvoltage_function = 4\n"
                                   "current = 18,s16,big-swapped,0.01\n"
                                   "output_on = 3\noutput_on_function = 1\n"
                                   "limited = 20,4-5\nlimited_value = 2,3\n"
                                   "set_voltage = 7,u16,big,0.01\n"
                                   "query_voltage = 9,u16,big,0.01\nquery_voltage_function = 4\n"
                                   "set_output = 5\nset_output_function = 6\n"
                                   "set_output_values = 165,90\n"
                                   "remote = 30,1\nlocal = 30,0\nremote_function = 5\n"
                                   "output_step = 100\ncoil_step = 8\n",
                                   &error);
    assert_non_null(profile);
    const struct modbus_profile *modbus = &profile->modbus;
    assert_int_equal(modbus->voltage.function, 4);
    assert_true(modbus->voltage.little && modbus->voltage.swapped);
    assert_int_equal(modbus->current.function, 3);
    assert_true(!modbus->current.little && modbus->current.swapped);
    assert_int_equal(modbus->output_on.function, 1);
    assert_int_equal(modbus->output_on.bits, 1);
    assert_int_equal(modbus->limited.function, 4);
    assert_int_equal(modbus->limited.bit, 4);
    assert_int_equal(modbus->limited.bits, 2);
    assert_int_equal(modbus->limited.value_count, 2);
    assert_int_equal(modbus->limited.values[1], 3);
    assert_int_equal(modbus->set_voltage.function, 3);
    assert_int_equal(modbus->query_voltage.function, 4);
    assert_int_equal(modbus->set_output_function, 6);
    assert_int_equal(modbus->set_output.bits, 16);
    assert_int_equal(modbus->output_words[0], 165);
    assert_int_equal(modbus->output_words[1], 90);
    assert_int_equal(modbus->remote.address, 30);
    assert_int_equal(modbus->remote.value, 1);
    assert_int_equal(modbus->coil_step, 8);
    profile_destroy(profile);
    profile = load("[supply]\nspeaks = modbus\n[modbus]\nfunction = 3\n"
                   "voltage = 1,u16,big,1\ncurrent = 2,u16,big,1\nset_output = 5,3,inverted\n",
                   &error);
    assert_non_null(profile);
    assert_int_equal(profile->modbus.set_output_function, 16);
    assert_int_equal(profile->modbus.set_output.bits, 1);
    assert_int_equal(profile->modbus.output_words[0], 0);
    assert_int_equal(profile->modbus.output_words[1], 1);
    profile_destroy(profile);
}

/* Every refusal names file, line, what was found and what is expected. */
#define SCPI "[supply]\nspeaks = scpi\n"
#define READS "[scpi]\nread_voltage = MEAS:VOLT?\nread_current = MEAS:CURR?\n"
#define ARRAY "array_voltage = A? ({count})\narray_current = FETC:ARR:CURR?\narray_count = 10\n"
#define QUANTITIES "voltage = 1,u16,big,1\ncurrent = 2,u16,big,1\n"
#define MODBUS "[supply]\nspeaks = modbus\n[modbus]\nfunction = 4\n"

static const struct {
    const char *text;
    long line;
    const char *found, *expected;
} refusals[] = {
    {"", 0, "missing in [supply]", "speaks"},
    {"[supply]\n", 0, "missing in [supply]", "speaks"},
    {"[supply]\nspeaks = klingon\n", 2, "klingon", "scpi or modbus"},
    {"[suply]\nspeaks = scpi\n", 2, "[suply]", "[supply]"},
    {SCPI "speed = 3\n", 3, "unknown key speed", "reply_timeout_s"},
    {SCPI "speaks = scpi\n", 3, "speaks given again, first in line 2", "once"},
    {SCPI "current_resolution_A = 1 mA\n", 3, "1 mA", "a number"},
    {SCPI "current_resolution_A = 0\n", 3, "\"0\"", "a number"},
    {SCPI "current_accuracy = 0.5\n", 3, "0.5", "PERCENT,OFFSET_A"},
    {SCPI "voltage_accuracy = 0.5,0.1,3\n", 3, "0.5,0.1,3", "PERCENT,OFFSET_V"},
    {SCPI "outputs = 1.5\n", 3, "1.5", "whole"},
    {SCPI "reply_timeout_s = 0,5\n", 3, "0,5", "a number"},
    {SCPI, 0, "missing in [scpi]", "read_voltage and read_current"},
    {SCPI "[scpi]\nread_voltage = MEAS:VOLT?\n", 0, "missing in [scpi]", "read_current"},
    {SCPI "[scpi]\nread_volts = MEAS:VOLT?\n", 4, "read_volts", "read_voltage"},
    {SCPI "[scpi]\nread_voltage = VOLT 5\n", 4, "VOLT 5", "only asks"},
    {SCPI "[scpi]\nread_voltage = MEAS:VOLT?;OUTP ON\n", 4, "OUTP ON", "only asks"},
    {SCPI "[scpi]\nread_voltage = {volt}?\n", 4, "{volt}", "{output}"},
    {SCPI READS "set_voltage = VOLT?\n", 6, "VOLT?", "tells"},
    {SCPI READS "set_voltage = VOLT 5\n", 6, "VOLT 5", "{value}"},
    {SCPI READS "set_voltage =\n", 6, "\"\"", "a message, or none"},
    {SCPI READS "select = INST:NSEL {output}\n", 6, "missing", "query_selection"},
    {SCPI READS "output_on = OUTP ON\n", 6, "missing", "output_off"},
    {SCPI READS "limited_bit = 1,up\n", 6, "1,up", "inverted"},
    {SCPI READS "limited_bit = 31\n", 6, "31", "0 to 30"},
    {SCPI READS "output_bit = 1\n", 6, "beside output_bit", "read_output"},
    {SCPI READS "state_reply = text\n", 6, "text", "number or byte"},
    {SCPI READS "read_output = S?\nstate_reply = byte\n", 7, "beside state_reply",
     "output_bit beside read_output"},
    {SCPI READS "read_output = S?\noutput_bit = 8\nstate_reply = byte\n", 7, "output_bit: found 8",
     "0 to 7"},
    {SCPI READS "limited_bit = 1\n", 6, "missing", "read_limited"},
    {SCPI READS "clear = *RST\n", 6, "*RST", "*CLS or none"},
    {SCPI READS ARRAY "array_form = f16,big\n", 9, "f16,big", "f32 or f64"},
    {SCPI READS ARRAY "array_form = f32\n", 9, "f32", "byte order"},
    {SCPI READS ARRAY "array_interval_s = 0.03\n", 8, "array_count: found 10", "0.2 s"},
    {SCPI READS ARRAY, 6, "beside array_voltage", "array_interval_s"},
    {SCPI READS "array_count = 1\n", 6, "\"1\"", "2 to 1000"},
    {SCPI READS "array_count = 10\n", 6, "beside array_count", "array_voltage"},
    {SCPI READS "array_voltage = MEAS:ARR:VOLT? ({number})\n", 6, "{number}", "{output}"},
    {SCPI READS "array_voltage = MEAS:ARR:VOLT ({count})\n", 6, "VOLT (", "only asks"},
    {SCPI READS "array_voltage = A?\narray_count = 5\n", 6, "beside array_voltage",
     "array_current"},
    {SCPI READS "array_voltage = A?\narray_current = MEAS:ARR:CURR?\n", 7, "MEAS:ARR:CURR?",
     "FETCh"},
    {SCPI READS "query_selection = S?\n" ARRAY "array_interval_s = 0.001\n", 7,
     "beside query_selection", "one output"},
    {SCPI READS "terminator = gap\n", 6, "gap", "LF, CR, CRLF or none"},
    {SCPI READS "[modbus]\nfunction = 3\n", 7, "[modbus]", "speaks = modbus"},
    {SCPI READS "[modbus]\nfunction = 5\n", 7, "\"5\"", "3 to 4"},
    {SCPI "outputs = 2\n" READS, 3, "outputs: found 2", "{output}"},
    {"[supply]\nspeaks = modbus\n", 0, "missing in [modbus]", "function"},
    {MODBUS, 0, "missing in [modbus]", "voltage and current"},
    {MODBUS "voltage = 1,u16,big\n", 5, "1,u16,big", "ADDRESS,TYPE,WORD_ORDER,SCALE"},
    {MODBUS "voltage = 1,u16,big,1,1\n", 5, "1,u16,big,1,1", "ADDRESS,TYPE"},
    {MODBUS "voltage = -1,u16,big,1\n", 5, "-1", "0 to 65535"},
    {MODBUS "voltage = 65536,u16,big,1\n", 5, "65536", "0 to 65535"},
    {MODBUS "voltage = 65535,f32,big,1\n", 5, "65535", "up to 65535"},
    {MODBUS "voltage = 1,u8,big,1\n", 5, "u8", "u16, s16"},
    {MODBUS "voltage = 1,u16,middle,1\n", 5, "middle", "big or little"},
    {MODBUS "voltage = 1,u16,big,0\n", 5, ",0", "a scale above 0"},
    {MODBUS "voltage = 1,u16,big,one\n", 5, "one", "a scale above 0"},
    {MODBUS "output_on = 1,16\n", 5, "1,16", "bit 0 to 15"},
    {MODBUS "output_on = 1,\n", 5, "\"1,\"", "ADDRESS,BIT"},
    {MODBUS "output_on = 1,5-4\n", 5, "1,5-4", "ADDRESS,LOW-HIGH"},
    {MODBUS "output_on = 1,2-16\n", 5, "1,2-16", "bit 0 to 15"},
    {MODBUS "output_on_value = 1,2,3,4,5\n", 5, "1,2,3,4,5", "one to four numbers"},
    {MODBUS "output_on_value = on\n", 5, "on", "one to four numbers"},
    {MODBUS "output_on_value = 1\n", 5, "beside output_on_value", "output_on"},
    {MODBUS "limited_function = 5\n", 5, "\"5\"", "1 to 4"},
    {MODBUS "limited_function = 2\n", 5, "beside limited_function", "limited"},
    {MODBUS "voltage_function = 2\n", 5, "\"2\"", "3 to 4"},
    {MODBUS "set_output_values = 1\n", 5, "\"1\"", "ON,OFF"},
    {MODBUS "set_output_values = 1,1\n", 5, "1,1", "different"},
    {MODBUS "remote = 1\n", 5, "\"1\"", "ADDRESS,VALUE"},
    {MODBUS "local = 1,0\n", 5, "beside local", "remote"},
    {MODBUS "voltage = 1,u16,swapped,1\n", 5, "swapped", "-swapped"},
    {MODBUS "voltage = 1,u16,big-swap,1\n", 5, "big-swap", "big or little"},
    {MODBUS QUANTITIES "output_on = 1,2\noutput_on_function = 1\n", 7, "output_on: found 2",
     "one bit"},
    {MODBUS QUANTITIES "limited = 1,4-5\nlimited_value = 3,4\n", 8, "limited_value: found 4",
     "its bits can hold"},
    {MODBUS QUANTITIES "limited = 1,inverted\nlimited_value = 3\n", 8, "found 3", "inverted"},
    {MODBUS QUANTITIES "limited = 1\nlimited_function = 2\nlimited_value = 1\n", 9, "found 1",
     "only of registers"},
    {MODBUS QUANTITIES "set_output = 1\nset_output_function = 15\n", 8,
     "set_output_function: found 15", "5, 6 or 16"},
    {MODBUS QUANTITIES "set_output = 1\nset_output_function = 5\nset_output_values = 3,4\n", 9,
     "set_output_values: found 3", "only of registers"},
    {MODBUS QUANTITIES "set_output = 1,0\nset_output_values = 3,4\n", 8,
     "set_output_values: found 3", "its bits can hold"},
    {MODBUS QUANTITIES "remote = 1,1\nremote_function = 7\n", 8, "remote_function: found 7",
     "5, 6 or 16"},
    {"[supply]\nspeaks = modbus\noutputs = 2\n[modbus]\nfunction = 4\n" QUANTITIES, 3,
     "beside outputs", "output_step"},
    {"[supply]\nspeaks = modbus\noutputs = 2\n[modbus]\nfunction = 4\noutput_step = 10\n" QUANTITIES
     "output_on = 1\noutput_on_function = 1\n",
     3, "beside outputs", "coil_step"},
    {"[supply]\nspeaks = modbus\n[modbus]\nvoltage_function = 4\n" QUANTITIES, 0,
     "missing in [modbus]", "function (3 or 4)"},
    {MODBUS "output_on = 1,2,upside-down\n", 5, "upside-down", "inverted"},
    {MODBUS "voltage = 1,u16,big,1\ncurrent = 2,u16,big,1\nset_function = 8\n", 7, "8", "6 or 16"},
    {MODBUS "voltage = 1,u16,big,1\ncurrent = 2,u16,big,1\nset_function = 6\n"
            "set_voltage = 1,f32,big,1\n",
     7, "6", "16 for set points"},
    {MODBUS "voltage = 1,u16,big,1\ncurrent = 2,u16,big,1\n[scpi]\nread = A?\n", 8, "[scpi]",
     "speaks = scpi"},
    {"[supply]\nspeaks scpi\n", 2, "found neither", "KEY = VALUE"},
};

static void test_refusals(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refusals / sizeof *refusals; i++) {
        struct error error;
        struct profile *profile = load(refusals[i].text, &error);
        if (profile || error.line != refusals[i].line || !strstr(error.found, refusals[i].found) ||
            !strstr(error.expected, refusals[i].expected))
            fail_msg("case %zu: %s line %ld: found \"%s\", expected \"%s\"", i,
                     profile ? "taken" : "refused", error.line, error.found, error.expected);
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_string_equal(error.file, path);
    }
}

static void test_no_file(void **state)
{
    (void)state;
    struct error error = {0};
    assert_null(profile_load("/nonexistent/bench.ini", &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_string_equal(error.file, "/nonexistent/bench.ini");
}

int main(void)
{
    int descriptor = mkstemps(path, 4);
    if (descriptor < 0)
        return 1;
    close(descriptor);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_installed),     cmocka_unit_test(test_scpi_values),
        cmocka_unit_test(test_modbus_values), cmocka_unit_test(test_modbus_functions),
        cmocka_unit_test(test_refusals),      cmocka_unit_test(test_no_file),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    unlink(path);
    return failed;
}
