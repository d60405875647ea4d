/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's Modbus side against the examples of the Modbus
 * specifications: the serial-line guide's CRC example (V1.02, 6.2.2), and
 * frames and PDUs of "Modbus Application Protocol" V1.1b3 and its earlier
 * editions. Those of functions 16 and 17 (hex) are from memory of it.
 */
#include "simulate/modbus_device.h"
#include "simulate/modbus_frame.h"
#include "simulate/supply_registers.h"
#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static size_t bytes_of(const char *hex, uint8_t bytes[300])
{
    size_t count = 0;
    for (const char *text = hex; *text;) {
        if (*text == ' ') {
            text++;
            continue;
        }
        char pair[3] = {text[0], text[1], '\0'};
        bytes[count++] = (uint8_t)strtoul(pair, NULL, 16);
        text += 2;
    }
    return count;
}

static void crc_examples(void **state)
{
    (void)state;
    assert_int_equal(modbus_crc((const uint8_t *)"123456789", 9), 0x4B37);
    const uint8_t example[] = {0x02, 0x07};
    assert_int_equal(modbus_crc(example, 2), 0x1241);
}

/* Memory as the specification's examples have it. */
struct example_memory {
    uint16_t bits[2][4096];
    uint16_t words[2][4096];
    unsigned most; /* addresses there are */
};

static enum modbus_exception read_example(void *context, enum modbus_table table, unsigned first,
                                          unsigned count, uint16_t *values)
{
    const struct example_memory *memory = context;
    if (first + count > memory->most)
        return MODBUS_ILLEGAL_ADDRESS;
    const uint16_t *from = table == TABLE_COILS        ? memory->bits[0]
                           : table == TABLE_INPUT_BITS ? memory->bits[1]
                           : table == TABLE_HOLDING    ? memory->words[0]
                                                       : memory->words[1];
    memcpy(values, from + first, count * sizeof *values);
    return MODBUS_DONE;
}

static enum modbus_exception write_example(void *context, enum modbus_table table, unsigned first,
                                           unsigned count, const uint16_t *values)
{
    struct example_memory *memory = context;
    if (first + count > memory->most)
        return MODBUS_ILLEGAL_ADDRESS;
    memcpy((table == TABLE_COILS ? memory->bits[0] : memory->words[0]) + first, values,
           count * sizeof *values);
    return MODBUS_DONE;
}

static void set_bits(uint16_t *bits, const char *packed_hex, unsigned count)
{
    uint8_t packed[300];
    bytes_of(packed_hex, packed);
    for (unsigned i = 0; i < count; i++)
        bits[i] = packed[i / 8] >> (i % 8) & 1;
}

static void set_words(uint16_t *words, const char *hex)
{
    uint8_t bytes[300];
    size_t count = bytes_of(hex, bytes);
    for (size_t i = 0; i < count / 2; i++)
        words[i] = (uint16_t)(bytes[2 * i] << 8 | bytes[2 * i + 1]);
}

static struct modbus_space example_space(struct example_memory *memory)
{
    *memory = (struct example_memory){.most = 4096};
    return (struct modbus_space){.has = {true, true, true, true},
                                 .read = read_example,
                                 .write = write_example,
                                 .context = memory};
}

static void assert_pdu(const struct modbus_space *space, const char *request_hex,
                       const char *reply_hex)
{
    uint8_t request[300], wanted[300], reply[MODBUS_LONGEST_PDU];
    size_t length = bytes_of(request_hex, request), wanted_length = bytes_of(reply_hex, wanted);
    size_t found = modbus_answer(space, request, length, reply);
    if (found != wanted_length || memcmp(reply, wanted, found) != 0) {
        print_error("%s: found", request_hex);
        for (size_t i = 0; i < found; i++)
            print_error(" %02X", reply[i]);
        print_error(", wanted %s\n", reply_hex);
        fail();
    }
}

/* Whole RTU frames, request and reply. */
static void rtu_examples(void **state)
{
    (void)state;
    struct example_memory memory;
    struct modbus_space space = example_space(&memory);
    set_bits(memory.bits[0] + 0x13, "CD 6B B2 0E 1B", 37);
    set_bits(memory.bits[1] + 0xC4, "AC DB 35", 22);
    set_words(memory.words[0] + 0x6B, "AE41 5652 4340");
    set_words(memory.words[1] + 8, "000A");
    static const char *const frames[][2] = {
        {"11 01 00 13 00 25 0E 84", "11 01 05 CD 6B B2 0E 1B 45 E6"},
        {"11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18"},
        {"11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD"},
        {"11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
        {"11 05 00 AC FF 00 4E 8B", "11 05 00 AC FF 00 4E 8B"},
        {"11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B"},
        {"11 0F 00 13 00 0A 02 CD 01 BF 0B", "11 0F 00 13 00 0A 26 99"},
        {"11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "11 10 00 01 00 02 12 98"},
    };
    for (size_t i = 0; i < sizeof frames / sizeof *frames; i++) {
        uint8_t request[300], wanted[300], pdu[MODBUS_LONGEST_PDU], frame[RTU_LONGEST_FRAME];
        size_t length = bytes_of(frames[i][0], request);
        size_t wanted_length = bytes_of(frames[i][1], wanted);
        assert_int_equal(rtu_request_length(request, length), length);
        size_t count = modbus_answer(&space, request + 1, length - 3, pdu);
        assert_int_equal(rtu_frame(request[0], pdu, count, frame), wanted_length);
        assert_memory_equal(frame, wanted, wanted_length);
    }
    assert_int_equal(memory.bits[0][0xAC], 1);
    assert_int_equal(memory.words[0][1], 0x000A);
    assert_int_equal(memory.words[0][2], 0x0102);
    /* CD 01: ten coils from 0x13 */
    const uint16_t coils[] = {1, 0, 1, 1, 0, 0, 1, 1, 1, 0};
    assert_memory_equal(memory.bits[0] + 0x13, coils, sizeof coils);
}

static void pdu_examples(void **state)
{
    (void)state;
    struct example_memory memory;
    struct modbus_space space = example_space(&memory);
    set_bits(memory.bits[0] + 0x13, "CD 6B 05", 19);
    set_words(memory.words[0] + 0x6B, "022B 0000 0064");
    assert_pdu(&space, "01 00 13 00 13", "01 03 CD 6B 05");
    assert_pdu(&space, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64");
    assert_pdu(&space, "10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02");
    /* mask write: 0x12 and 0xF2 or 0x25 gives 0x17 */
    memory.words[0][4] = 0x12;
    assert_pdu(&space, "16 00 04 00 F2 00 25", "16 00 04 00 F2 00 25");
    assert_int_equal(memory.words[0][4], 0x17);
    set_words(memory.words[0] + 3, "00FE 0ACD 0001 0003 000D 00FF");
    assert_pdu(&space, "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
               "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF");
    assert_int_equal(memory.words[0][0x10], 0xFF);
    memory.most = 0x04A1;
    assert_pdu(&space, "01 04 A1 00 01", "81 02");
}

/* Function, then quantity, then address, then value; the widest that fit. */
static void exceptions_come_in_order(void **state)
{
    (void)state;
    struct example_memory memory;
    struct modbus_space space = example_space(&memory);
    memory.most = 200;
    assert_pdu(&space, "2B 0E 01 00", "AB 01");
    assert_pdu(&space, "03 FF FF 00 00", "83 03");
    assert_pdu(&space, "03 FF FF 00 7E", "83 03");
    assert_pdu(&space, "03 00 00 00 7E", "83 03");
    assert_pdu(&space, "03 FF FF 00 02", "83 02");
    assert_pdu(&space, "04 00 C8 00 01", "84 02");
    assert_pdu(&space, "01 00 00 07 D1", "81 03");
    assert_pdu(&space, "05 00 01 12 34", "85 03");
    assert_pdu(&space, "06 00 C8 00 01", "86 02");
    assert_pdu(&space, "10 00 00 00 02 03 00 01 00", "90 03");
    assert_pdu(&space, "10 00 00 00 02 04 00 01", "90 03");
    assert_pdu(&space, "0F 00 00 00 0A 01 FF", "8F 03");
    assert_pdu(&space, "03 00", "83 03");
    space.has[TABLE_COILS] = false;
    assert_pdu(&space, "01 FF FF 00 00", "81 01");
    uint8_t reply[MODBUS_LONGEST_PDU];
    const uint8_t widest[] = {3, 0, 0, 0, 125};
    assert_int_equal(modbus_answer(&space, widest, sizeof widest, reply), 252);
}

static void framing_finds_its_ends(void **state)
{
    (void)state;
    uint8_t bytes[300];
    size_t length = bytes_of("01 03 00 00 00 0A C5 CD", bytes), skip = 0;
    for (size_t count = 0; count < length; count++)
        assert_int_equal(rtu_request_length(bytes, count), 0);
    assert_int_equal(rtu_request_length(bytes, length), length);
    bytes[2] ^= 1;
    assert_int_equal(rtu_request_length(bytes, length), 0);
    /* a function that is not known, its exception as in the serial guide */
    length = bytes_of("0A 81 02 B0 53", bytes);
    assert_int_equal(rtu_request_length(bytes, length), length);
    length = bytes_of("00 07 00 00 00 06 01 03 00 00 00 02", bytes);
    for (size_t count = 0; count < length; count++)
        assert_int_equal(mbap_request_length(bytes, count, &skip), 0);
    assert_int_equal(mbap_request_length(bytes, length, &skip), 12);
    bytes[3] = 1;
    assert_int_equal(mbap_request_length(bytes, length, &skip), 0);
    assert_int_equal(skip, length);
    bytes[3] = 0;
    bytes[4] = 0xFF;
    assert_int_equal(mbap_request_length(bytes, length, &skip), 0);
    assert_int_equal(skip, length);
    /* the length counts unit and PDU */
    uint8_t frame[MBAP_HEADER + MODBUS_LONGEST_PDU];
    const uint8_t header[MBAP_HEADER] = {0x12, 0x34, 0, 0, 0, 6, 0x11};
    const uint8_t pdu[] = {0x83, 0x02};
    const uint8_t wanted[] = {0x12, 0x34, 0, 0, 0, 3, 0x11, 0x83, 0x02};
    assert_int_equal(mbap_frame(header, pdu, 2, frame), sizeof wanted);
    assert_memory_equal(frame, wanted, sizeof wanted);
}

static void one_profile(const char *content, struct supply_map *map)
{
    char directory[200], file[300];
    struct error error = {0};
    scratch_make(directory, sizeof directory);
    scratch_write(directory, "map.ini", content, strlen(content), file, sizeof file);
    if (supply_map_read(file, map, &error) != 0) {
        char text[900];
        print_error("%s\n", error_text(&error, text, sizeof text));
        fail();
    }
    scratch_remove(directory);
}

static const struct output_options options = {.most_V = 60,
                                              .most_A = 10,
                                              .slew_V_per_s = 1000,
                                              .source_ohm = 0.01,
                                              .lead_ohm = 0.01,
                                              .sink_A = 0.1};

/* Every type and word order carries a value there and back. */
static void registers_carry_types_and_orders(void **state)
{
    (void)state;
    static const struct {
        const char *type, *order, *scale, *read_12V5;
    } forms[] = {
        {"u16", "big", "0.01", "03 02 04 E2"},
        {"s16", "big", "0.01", "03 02 04 E2"},
        {"u32", "big", "0.001", "03 04 00 00 30 D4"},
        {"u32", "little", "0.001", "03 04 30 D4 00 00"},
        {"s32", "little", "0.001", "03 04 30 D4 00 00"},
        {"f32", "big", "1", "03 04 41 48 00 00"},
        {"f32", "little", "1", "03 04 00 00 41 48"},
        {"f32", "big", "0.001", "03 04 46 43 50 00"},
    };
    for (size_t i = 0; i < sizeof forms / sizeof *forms; i++) {
        bool one_word = strstr(forms[i].type, "16") != NULL;
        char content[400], request[60];
        snprintf(content, sizeof content,
                 "[supply]\nspeaks = modbus\n[modbus]\nfunction = 3\n"
                 "voltage = 0,u16,big,0.01\ncurrent = 1,u16,big,0.001\n"
                 "set_voltage = 0x10,%s,%s,%s\n",
                 forms[i].type, forms[i].order, forms[i].scale);
        struct supply_map map;
        one_profile(content, &map);
        struct output output;
        assert_true(output_init(&output, &options, 0));
        struct supply_registers registers = {&map, &output, 1, 0, false};
        struct modbus_space space = supply_registers_space(&registers);
        snprintf(request, sizeof request, "10 00 10 00 0%d 0%d %s", one_word ? 1 : 2,
                 one_word ? 2 : 4, forms[i].read_12V5 + 6);
        assert_pdu(&space, request, one_word ? "10 00 10 00 01" : "10 00 10 00 02");
        assert_true(fabs(output.set_V - 12.5) < 1e-9);
        assert_pdu(&space, one_word ? "03 00 10 00 01" : "03 00 10 00 02", forms[i].read_12V5);
        output_clear(&output);
    }
}

static void registers_follow_the_map(void **state)
{
    (void)state;
    struct supply_map map;
    one_profile("[supply]\nspeaks = modbus\noutputs = 2\n[modbus]\nfunction = 4\n"
                "voltage = 0,u16,big,0.01\ncurrent = 2,s32,big,0.0001\n"
                "output_on = 4,3\nlimited = 4,1,inverted\noutput_step = 100\n"
                "set_output = 8,0\nset_voltage = 6,u16,big,0.01\nset_limit = 7,u16,big,0.01\n",
                &map);
    struct output outputs[2];
    assert_true(output_init(&outputs[0], &options, 0));
    assert_true(output_init(&outputs[1], &options, 0));
    struct supply_registers registers = {&map, outputs, 2, 0, false};
    struct modbus_space space = supply_registers_space(&registers);
    /* 12 V, 2 A, on: the second output, not the first */
    assert_pdu(&space, "10 00 6A 00 03 06 04 B0 00 C8 00 01", "10 00 6A 00 03");
    registers.time_s = 1;
    assert_pdu(&space, "04 00 64 00 05", "04 0A 04 B0 00 00 00 00 00 00 00 0A");
    assert_pdu(&space, "04 00 00 00 05", "04 0A 00 00 00 00 00 00 00 00 00 02");
    assert_pdu(&space, "03 00 6A 00 03", "03 06 04 B0 00 C8 00 01");
    /* out of its ratings: nothing of it is done */
    assert_pdu(&space, "10 00 6A 00 02 04 FF FF 00 64", "90 03");
    assert_pdu(&space, "10 00 6A 00 02 04 02 58 FF FF", "90 03");
    assert_true(outputs[1].set_V == 12 && outputs[1].limit_A == 2);
    assert_pdu(&space, "04 00 05 00 01", "84 02");
    assert_pdu(&space, "03 00 00 00 01", "83 02");
    assert_pdu(&space, "01 00 00 00 01", "81 01");
    /* a conversion that is not a number */
    outputs[0].options.nan_every = 1;
    assert_pdu(&space, "04 00 00 00 04", "04 08 FF FF 00 00 80 00 00 00");
    output_clear(&outputs[0]);
    output_clear(&outputs[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(crc_examples),
        cmocka_unit_test(rtu_examples),
        cmocka_unit_test(pdu_examples),
        cmocka_unit_test(exceptions_come_in_order),
        cmocka_unit_test(framing_finds_its_ends),
        cmocka_unit_test(registers_carry_types_and_orders),
        cmocka_unit_test(registers_follow_the_map),
    };
    return cmocka_run_group_tests_name("simulated Modbus", tests, NULL, NULL);
}
