/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's SCPI manners, message by message. What IEEE 488.2 and
 * SCPI-1999 ask is from memory of them; 9.91E37 and 9.9E37 are SCPI-1999's
 * not-a-number and infinity as many instrument manuals quote them.
 */
#include "simulate/scpi_device.h"
#include "simulate/scpi_header.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const struct output_options options = {.most_V = 60,
                                              .most_A = 10,
                                              .slew_V_per_s = 1e5,
                                              .source_ohm = 0.01,
                                              .lead_ohm = 0.01,
                                              .sink_A = 0.1,
                                              .resolution_V = 0.001,
                                              .resolution_A = 0.001};

struct bench {
    struct output outputs[2];
    struct scpi_device *device;
    double now_s;
};

static void begin_as(struct bench *bench, int count, enum number_form form)
{
    *bench = (struct bench){0};
    for (int i = 0; i < 2; i++)
        assert_true(output_init(&bench->outputs[i], &options, 0));
    bench->device = scpi_device_create(bench->outputs, count, form, "Harbour Lane,bench,1,1.0");
    assert_non_null(bench->device);
}

static void begin(struct bench *bench)
{
    begin_as(bench, 1, NUMBER_NR2);
}

static void end(struct bench *bench)
{
    scpi_device_destroy(bench->device);
    for (int i = 0; i < 2; i++)
        output_clear(&bench->outputs[i]);
}

static const char *ask(struct bench *bench, const char *message)
{
    static char response[SCPI_LONGEST_RESPONSE];
    bench->now_s += 0.01;
    size_t length =
        scpi_device_message(bench->device, message, strlen(message), bench->now_s, response);
    assert_int_equal(strlen(response), length);
    return response;
}

static void assert_reply(struct bench *bench, const char *message, const char *wanted)
{
    const char *found = ask(bench, message);
    if (strcmp(found, wanted) != 0) {
        print_error("%s: found %s, wanted %s\n", message, found, wanted);
        fail();
    }
}

static long number_of(const char *reply)
{
    return strtol(reply, NULL, 10);
}

/* The message gives no reply, this error and no other. */
static void assert_error(struct bench *bench, const char *message, int code)
{
    ask(bench, message);
    long found = number_of(ask(bench, "SYST:ERR?"));
    if (found != code) {
        print_error("%s: found %ld, wanted %d\n", message, found, code);
        fail();
    }
    assert_reply(bench, "SYST:ERR?", "0,\"No error\"");
}

static void headers_have_two_forms(void **state)
{
    (void)state;
    static const char *const pattern = "[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]";
    static const struct {
        const char *header;
        bool matches;
        int suffix;
    } cases[] = {
        {"VOLT", true, -1},          {"voltage", true, -1},
        {"SOUR:VOLT", true, -1},     {"source2:voltage:level:immediate:amplitude", true, 2},
        {"SOUR1:VOLT:IMM", true, 1}, {"VOLT:AMPL", true, -1},
        {"VOLTA", false, 0},         {"VOL", false, 0},
        {"SOURC:VOLT", false, 0},    {"VOLT2", false, 0},
        {"VOLT:PROT", false, 0},     {"VOLT:", false, 0},
        {"SOUR", false, 0},          {"LEV", false, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        int suffix = 0;
        print_message("%s\n", cases[i].header);
        assert_int_equal(scpi_header_matches(pattern, cases[i].header, &suffix), cases[i].matches);
        if (cases[i].matches)
            assert_int_equal(suffix, cases[i].suffix);
    }
}

static void common_commands(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench);
    assert_reply(&bench, "*IDN?", "Harbour Lane,bench,1,1.0");
    assert_reply(&bench, "*idn?", "Harbour Lane,bench,1,1.0");
    assert_reply(&bench, "*ESR?", "128"); /* power on */
    assert_reply(&bench, "*ESR?", "0");   /* reading it clears it */
    assert_reply(&bench, "*OPC?", "1");
    assert_reply(&bench, "*OPC", "");
    assert_reply(&bench, "*ESR?", "1");
    assert_reply(&bench, "*TST?", "0");
    assert_reply(&bench, "*WAI", "");
    assert_reply(&bench, "*ESE 60;*ESE?", "60");
    assert_reply(&bench, "*ESE #H3C;*ESE?;*SRE #B100000;*SRE?", "60;32");
    assert_reply(&bench, "NONSENSE", "");
    /* queue not empty 4, event summary 32, service 64 */
    assert_reply(&bench, "*STB?", "100");
    assert_reply(&bench, "*CLS;*STB?;:SYST:ERR?", "0;0,\"No error\"");
    assert_reply(&bench, "SYST:VERS?", "1999.0");
    assert_error(&bench, "*ESE 256", -222);
    assert_error(&bench, "*ESE", -109);
    assert_error(&bench, "*CLS 1", -108);
    assert_error(&bench, "*CLS?", -113);
    assert_error(&bench, "*NOT?", -113);
    end(&bench);
}

static void settings_take_all_forms(void **state)
{
    (void)state;
    static const struct {
        const char *message, *voltage;
    } cases[] = {
        {"VOLT 12", "12.000"},          {"SOURCE:VOLTAGE:LEVEL 13.8 V", "13.800"},
        {":volt 500mv", "0.500"},       {"Volt 1.2e1", "12.000"},
        {"VOLT +.5KV;VOLT 5", "5.000"}, {"VOLT MAX", "60.000"},
        {"VOLT MIN", "0.000"},          {"VOLT MAXIMUM;VOLT 7.5000", "7.500"},
        {"VOLT DEF", "0.000"},          {"  VOLT\t24V  ", "24.000"},
        {"VOLT 60000 MV", "60.000"},    {"SOUR1:VOLT:IMM:AMPL 3", "3.000"},
    };
    struct bench bench;
    begin(&bench);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        ask(&bench, cases[i].message);
        assert_reply(&bench, "VOLT?", cases[i].voltage);
    }
    assert_error(&bench, "*CLS", 0);
    assert_reply(&bench, "CURR 250MA;CURR?", "0.2500");
    assert_reply(&bench, "CURR 1.5 A;CURR?;CURR? MAX;CURR? MIN", "1.5000;10.0000;0.0000");
    assert_reply(&bench, "VOLT:PROT 20;PROT?", "20.000");
    assert_reply(&bench, "OUTP ON;OUTP?;:OUTP OFF;OUTP?;:OUTP 1;OUTP?;:OUTP 0;OUTP:STAT?",
                 "1;0;1;0");
    end(&bench);
}

static void errors_have_their_numbers(void **state)
{
    (void)state;
    static const struct {
        const char *message;
        int code;
    } cases[] = {
        {"FOO", -113},          {"VOLT:FOO 1", -113},
        {"MEAS:VOLT", -113},    {"VOLT", -109},
        {"OUTP", -109},         {"VOLT 1,2,3", -108},
        {"VOLT 1,2", -108},     {"SYST:ERR? 1", -108},
        {"VOLT 61", -222},      {"VOLT -1", -222},
        {"CURR 11A", -222},     {"VOLT 5A", -131},
        {"VOLT 5 X", -131},     {"VOLT ABC", -104},
        {"VOLT \"5\"", -104},   {"VOLT 1.2.3", -121},
        {"VOLT +", -121},       {"*ESE 1V", -138},
        {"OUTP MAYBE", -224},   {"OUTP \"ON\"", -104},
        {"VOLT? MUCH", -224},   {"VOLT: 5", -102},
        {"VOLT??", -102},       {"5VOLT 1", -102},
        {"VOLT \"5", -151},     {"VOLT ,5", -102},
        {"VOLT 5,", -109},      {"\x81VOLT 5", -101},
        {"OUTP9 ON", -114},     {"MEAS:VOLT? (@2)", -222},
        {"VOLT 5,(@1", -102},   {"ABCDEFGHIJKLM 1", -112},
        {"INST:NSEL 2", -222},  {"INST OUT7", -224},
        {"*ESE #HZZ", -121},    {"STAT:QUES:ENAB #H12345", -222},
        {"MEAS:CURR? 1", -108}, {"OUTP:PROT:CLE?", -113},
    };
    struct bench bench;
    begin(&bench);
    ask(&bench, "VOLT 4");
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        assert_error(&bench, cases[i].message, cases[i].code);
        assert_reply(&bench, "VOLT?", "4.000");
        ask(&bench, "*CLS");
        ask(&bench, cases[i].message);
        int bit = cases[i].code <= -400   ? 4
                  : cases[i].code <= -300 ? 8
                  : cases[i].code <= -200 ? 16
                                          : 32;
        assert_int_equal(number_of(ask(&bench, "*ESR?")), bit);
        ask(&bench, "*CLS");
    }
    end(&bench);
}

/* The path is inherited from the header before, common commands leave it, a
 * colon goes back to the root. */
static void compound_messages(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench);
    assert_reply(&bench, "MEAS:VOLT?;CURR?", "0.000;0.000");
    assert_reply(&bench, "MEAS:VOLT:DC?;:MEAS:CURR:DC?", "0.000;0.000");
    assert_reply(&bench, "SOUR:VOLT 5;CURR 2;VOLT?;CURR?", "5.000;2.0000");
    assert_reply(&bench, "SOUR:VOLT 6;*OPC?;CURR?", "1;2.0000");
    assert_reply(&bench, "VOLT:PROT 33;LEV 7;LEV?;PROT?", "7.000;33.000");
    assert_reply(&bench, "VOLT 5;;VOLT?;", "5.000");
    assert_reply(&bench, "", "");
    assert_reply(&bench, " ; ", "");
    /* CURR:DC is sought under MEAS:VOLT, where it is not */
    assert_error(&bench, "MEAS:VOLT:DC?;CURR:DC?", -113);
    /* after a command error the rest is not carried out; after an execution
     * error it is */
    assert_error(&bench, "FOO;VOLT 9", -113);
    assert_reply(&bench, "VOLT?", "5.000");
    assert_error(&bench, "VOLT 99;:CURR 3", -222);
    assert_reply(&bench, "CURR?", "3.0000");
    /* an indefinite response ends the message's replies */
    assert_reply(&bench, "*OPC?;*IDN?", "1;Harbour Lane,bench,1,1.0");
    assert_reply(&bench, "*IDN?;*OPC?", "Harbour Lane,bench,1,1.0");
    assert_reply(&bench, "SYST:ERR?",
                 "-440,\"Query UNTERMINATED after indefinite response;*OPC?\"");
    end(&bench);
}

static void error_queue_is_first_in_first_out(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench);
    ask(&bench, "FIRST");
    ask(&bench, "VOLT 99");
    assert_reply(&bench, "SYST:ERR:COUN?", "2");
    assert_reply(&bench, "SYST:ERR?", "-113,\"Undefined header;FIRST\"");
    assert_reply(&bench, "SYSTEM:ERROR:NEXT?", "-222,\"Data out of range;99\"");
    assert_reply(&bench, "SYST:ERR?", "0,\"No error\"");
    for (int i = 0; i < 40; i++)
        ask(&bench, "FOO");
    for (int i = 0; i < 19; i++)
        assert_reply(&bench, "SYST:ERR?", "-113,\"Undefined header;FOO\"");
    assert_reply(&bench, "SYST:ERR?", "-350,\"Queue overflow\"");
    assert_reply(&bench, "SYST:ERR?", "0,\"No error\"");
    ask(&bench, "FOO");
    ask(&bench, "VOLT 99");
    assert_reply(&bench, "SYST:ERR:ALL?",
                 "-113,\"Undefined header;FOO\",-222,\"Data out of range;99\"");
    assert_reply(&bench, "SYST:ERR:ALL?", "0,\"No error\"");
    ask(&bench, "FOO");
    ask(&bench, "*CLS");
    assert_reply(&bench, "SYST:ERR?", "0,\"No error\"");
    end(&bench);
}

/* More replies than the output holds while the input is not read on; and a
 * message longer than the input. */
static void buffers_have_an_end(void **state)
{
    (void)state;
    char message[SCPI_LONGEST_MESSAGE] = "";
    struct bench bench;
    begin_as(&bench, 1, NUMBER_NR3);
    for (size_t at = 0; at + 8 < sizeof message; at += 6)
        snprintf(message + at, sizeof message - at, "CURR?;");
    assert_error(&bench, message, -430);
    assert_int_equal(number_of(ask(&bench, "*ESR?")) & 4, 4);
    message[SCPI_LONGEST_RESPONSE / 14 * 6 - 6] = '\0';
    assert_in_range(strlen(ask(&bench, message)), SCPI_LONGEST_RESPONSE - 30,
                    SCPI_LONGEST_RESPONSE);
    char long_message[SCPI_LONGEST_MESSAGE + 10];
    memset(long_message, ' ', sizeof long_message);
    long_message[sizeof long_message - 1] = '\0';
    assert_error(&bench, long_message, -363);
    end(&bench);
}

static void number_forms(void **state)
{
    (void)state;
    struct bench bench;
    begin_as(&bench, 1, NUMBER_NR3);
    assert_reply(&bench, "VOLT 12.5;VOLT?", "+1.250000E+01");
    assert_reply(&bench, "MEAS:CURR?", "+0.000000E+00");
    bench.outputs[0].options.nan_every = 1;
    assert_reply(&bench, "MEAS:VOLT?", "+9.910000E+37");
    end(&bench);
    begin_as(&bench, 1, NUMBER_NR1);
    assert_reply(&bench, "VOLT 12;VOLT?", "12");
    end(&bench);
    begin_as(&bench, 1, NUMBER_NR2);
    bench.outputs[0].options.resolution_V = 0.01;
    assert_reply(&bench, "MEAS:VOLT?", "0.00");
    bench.outputs[0].options.resolution_V = 0.25;
    assert_reply(&bench, "MEAS:VOLT?", "0.00");
    bench.outputs[0].options.nan_every = 2;
    assert_reply(&bench, "MEAS:VOLT?", "0.00");
    assert_reply(&bench, "MEAS:VOLT?", "9.91E37");
    assert_reply(&bench, "FETC:VOLT?;CURR?", "9.91E37;9.91E37");
    end(&bench);
}

static void outputs_are_selected_or_listed(void **state)
{
    (void)state;
    struct bench bench;
    begin_as(&bench, 2, NUMBER_NR2);
    assert_reply(&bench, "INST:NSEL?;CAT?", "1;\"OUT1\",\"OUT2\"");
    ask(&bench, "VOLT 5");
    ask(&bench, "INST:NSEL 2");
    ask(&bench, "VOLT 7;CURR 1");
    assert_reply(&bench, "VOLT?;:INST?", "7.000;OUT2");
    assert_reply(&bench, "VOLT? (@1)", "5.000");
    assert_reply(&bench, "VOLT 6,(@1);VOLT? (@1);VOLT?", "6.000;7.000");
    assert_reply(&bench, "OUTP ON,(@1);OUTP? (@1);OUTP? (@2)", "1;0");
    assert_reply(&bench, "MEAS:VOLT? (@1);VOLT? (@2)", "6.000;0.000");
    assert_reply(&bench, "SOUR1:VOLT?;:SOUR2:VOLT?", "6.000;7.000");
    ask(&bench, "INST OUT1");
    assert_reply(&bench, "VOLT?", "6.000");
    assert_error(&bench, "VOLT? (@3)", -222);
    assert_error(&bench, "SOUR3:VOLT 1", -114);
    assert_error(&bench, "VOLT? (@1,2)", -224);
    ask(&bench, "*RST");
    assert_reply(&bench, "OUTP? (@1);VOLT? (@1);VOLT? (@2)", "0;0.000;0.000");
    end(&bench);
}

static void limit_and_protection_show(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench);
    struct module_type type = {.name = "short",
                               .nominal_V = 12,
                               .input_capacitor_F = 1e-4,
                               .wakes_above_V = 8,
                               .drops_below_V = 6,
                               .resets_below_V = 0.5,
                               .warm_up_s = 1,
                               .self_heating_s = 1,
                               .phase_count = 1};
    struct fault fault = {.final_scale = 1, .short_circuit = true};
    output_put_on(&bench.outputs[0], module_create(&type, "U", &fault, 1), &fault);
    assert_reply(&bench, "VOLT 12;CURR 1.5;:STAT:QUES:COND?", "0");
    ask(&bench, "OUTP ON");
    assert_reply(&bench, "MEAS:CURR?;:STAT:QUES:COND?;EVEN?;EVEN?", "1.500;3;3;0");
    assert_reply(&bench, "STAT:QUES:ENAB 2;ENAB?;:STAT:OPER:COND?", "2;0");
    ask(&bench, "OUTP OFF");
    ask(&bench, "OUTP ON");
    assert_reply(&bench, "STAT:QUES:COND?;*STB?", "3;24");
    ask(&bench, "OUTP OFF");
    output_put_on(&bench.outputs[0], NULL, &fault);
    ask(&bench, "VOLT:PROT 10;:OUTP ON");
    assert_reply(&bench, "OUTP?;:VOLT:PROT:TRIP?", "0;1");
    assert_error(&bench, "OUTP ON", -221);
    ask(&bench, "OUTP:PROT:CLE;:VOLT 9;:OUTP ON");
    assert_reply(&bench, "OUTP?;:VOLT:PROT:TRIP?", "1;0");
    end(&bench);
}

/* Random bytes: no reply but to a query, never a crash (the sanitizers watch),
 * and it still answers after. */
static void noise_is_survived(void **state)
{
    (void)state;
    unsigned seed = 0;
    const char *given = getenv("SEED");
    FILE *source = fopen("/dev/urandom", "rb");
    assert_non_null(source);
    assert_int_equal(fread(&seed, sizeof seed, 1, source), 1);
    fclose(source);
    if (given)
        seed = (unsigned)strtoul(given, NULL, 10);
    print_message("seed %u\n", seed);
    srand(seed);
    static const char *const pieces[] = {"VOLT", ":",    ";",   "?",     " ",    "12",
                                         "(@1)", ",",    "MAX", "\"",    "*ESE", "MEAS",
                                         "#H1",  "\xff", "E99", "OUTP1", "("};
    struct bench bench;
    begin_as(&bench, 2, NUMBER_NR2);
    for (int i = 0; i < 20000; i++) {
        char message[200] = "";
        size_t at = 0;
        for (int n = rand() % 12; n >= 0; n--)
            at += (size_t)snprintf(message + at, sizeof message - at, "%s",
                                   pieces[(size_t)rand() % (sizeof pieces / sizeof *pieces)]);
        ask(&bench, message);
    }
    ask(&bench, "*CLS");
    assert_reply(&bench, "*OPC?", "1");
    end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(headers_have_two_forms),
        cmocka_unit_test(common_commands),
        cmocka_unit_test(settings_take_all_forms),
        cmocka_unit_test(errors_have_their_numbers),
        cmocka_unit_test(compound_messages),
        cmocka_unit_test(error_queue_is_first_in_first_out),
        cmocka_unit_test(buffers_have_an_end),
        cmocka_unit_test(number_forms),
        cmocka_unit_test(outputs_are_selected_or_listed),
        cmocka_unit_test(limit_and_protection_show),
        cmocka_unit_test(noise_is_survived),
    };
    return cmocka_run_group_tests_name("simulated SCPI", tests, NULL, NULL);
}
