/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Packed readings come back bit for bit, whatever they hold; damage is told.
 */
#include "store/trace_pack.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static unsigned seed;

static double uniform(void)
{
    return (double)random() / ((double)RAND_MAX + 1.0);
}

static bool same_double(double a, double b)
{
    return (isnan(a) && isnan(b)) || (a == b && !signbit(a) == !signbit(b));
}

static bool same_reading(const struct reading *a, const struct reading *b)
{
    return same_double(a->time_s, b->time_s) && same_double(a->voltage_V, b->voltage_V) &&
           same_double(a->current_A, b->current_A) && a->valid == b->valid &&
           a->output_on == b->output_on && a->limited == b->limited;
}

static void check_round_trip(const struct reading *readings, size_t count)
{
    size_t bytes = 0;
    uint8_t *packed = trace_pack(readings, count, &bytes);
    assert_non_null(packed);
    struct trace trace = {0};
    /* Appends: what was there stays. */
    const struct reading first = {.time_s = -5, .voltage_V = 1, .current_A = 2, .valid = true};
    assert_true(trace_append(&trace, &first));
    assert_int_equal(trace_unpack(packed, bytes, &trace), 0);
    assert_int_equal(trace.count, count + 1);
    assert_true(same_reading(&trace.readings[0], &first));
    for (size_t i = 0; i < count; i++)
        assert_true(same_reading(&trace.readings[i + 1], &readings[i]));
    trace_clear(&trace);
    free(packed);
}

static enum known_flag random_flag(void)
{
    return (enum known_flag)(random() % 3 - 1);
}

/* A row of readings with a readback of random resolution, gaps, refused cells. */
static size_t random_readings(struct reading *readings, size_t most)
{
    size_t count = (size_t)(uniform() * (double)most);
    double volts = pow(10, floor(6 * uniform()) - 5);
    double amperes = pow(10, floor(8 * uniform()) - 6);
    double holes = uniform() < 0.5 ? 0 : 0.2 * uniform();
    double size = pow(10, 12 * uniform() - 4);
    double time_s = uniform() < 0.2 ? -1000 * uniform() : 0;
    for (size_t i = 0; i < count; i++) {
        time_s += 0.001 + 0.1 * uniform();
        struct reading *r = &readings[i];
        *r = (struct reading){.time_s = time_s,
                              .voltage_V = volts * floor(13.8 / volts + 3 * uniform()),
                              .current_A = amperes * floor(size * (uniform() - 0.2)),
                              .valid = uniform() >= holes,
                              .output_on = random_flag(),
                              .limited = uniform() < 0.9 ? FLAG_NO : random_flag()};
        if (uniform() < holes)
            r->voltage_V = NAN;
        if (uniform() < holes)
            r->current_A = uniform() < 0.5 ? (double)NAN : (double)INFINITY;
        reading_quantise(r);
    }
    return count;
}

static void test_random_round_trips(void **state)
{
    (void)state;
    enum { MOST = 700, CASES = 400 };
    static struct reading readings[MOST];
    for (int i = 0; i < CASES; i++)
        check_round_trip(readings, random_readings(readings, i % 4 ? MOST : 8));
}

static void test_edges(void **state)
{
    (void)state;
    check_round_trip(NULL, 0);
    struct reading one = {.time_s = 0, .voltage_V = NAN, .current_A = NAN, .output_on = FLAG_YES};
    check_round_trip(&one, 1);
    /* Numbers never quantised, and the largest a trace file may hold. */
    const struct reading odd[] = {
        {.time_s = 1.0 / 3, .voltage_V = -0.0, .current_A = 1e9, .valid = true},
        {.time_s = 2.0 / 3, .voltage_V = 1e-300, .current_A = -1e9, .valid = true},
        {.time_s = 1e300, .voltage_V = INFINITY, .current_A = 999999999.9999999, .valid = true},
        {.time_s = 1e301, .voltage_V = NAN, .current_A = 1e-7, .limited = FLAG_UNKNOWN},
        {.time_s = NAN, .voltage_V = 9007199254740993.0, .current_A = -1e-7, .valid = true},
    };
    check_round_trip(odd, 5);
    for (size_t i = 0; i < 5; i++)
        check_round_trip(&odd[i], 1);
    /* Whole at no decimals, too large at seven. */
    struct reading mixed[] = {{.current_A = 999999937.0, .time_s = 0, .valid = true},
                              {.current_A = 0.0000001, .time_s = 1, .valid = true},
                              {.current_A = 8e8, .time_s = 2, .valid = true}};
    check_round_trip(mixed, 3);
}

/* Steps are found as the text of the numbers shows them: 0.25 and 13.8 need
 * two decimals and one, not seven, so a longer row of them stays small. */
static void test_a_steady_row_is_small(void **state)
{
    (void)state;
    enum { COUNT = 2000 };
    static struct reading readings[COUNT];
    for (int i = 0; i < COUNT; i++) {
        readings[i] = (struct reading){.time_s = 0.05 * i,
                                       .voltage_V = 13.8,
                                       .current_A = 0.25,
                                       .valid = true,
                                       .output_on = FLAG_YES};
        reading_quantise(&readings[i]);
    }
    size_t bytes = 0;
    uint8_t *packed = trace_pack(readings, COUNT, &bytes);
    assert_non_null(packed);
    assert_in_range(bytes, 20, 120);
    free(packed);
    check_round_trip(readings, COUNT);
}

static void check_refused(const uint8_t *packed, size_t bytes)
{
    /* A copy of its own size, so that a sanitizer sees a read past the end. */
    uint8_t *copy = malloc(bytes ? bytes : 1);
    assert_non_null(copy);
    memcpy(copy, packed, bytes);
    struct trace trace = {0};
    const struct reading first = {.time_s = 3, .valid = true};
    assert_true(trace_append(&trace, &first));
    assert_int_equal(trace_unpack(copy, bytes, &trace), -1);
    assert_int_equal(trace.count, 1);
    assert_true(same_reading(&trace.readings[0], &first));
    trace_clear(&trace);
    free(copy);
}

static void test_every_flipped_byte_is_told(void **state)
{
    (void)state;
    static struct reading readings[120];
    size_t count = 0;
    while (count < 60)
        count = random_readings(readings, 120);
    size_t bytes = 0;
    uint8_t *packed = trace_pack(readings, count, &bytes);
    assert_non_null(packed);
    for (size_t i = 0; i < bytes; i++) {
        for (unsigned mask = 1; mask < 256; mask++) {
            packed[i] ^= (uint8_t)mask;
            check_refused(packed, bytes);
            packed[i] ^= (uint8_t)mask;
        }
    }
    for (size_t cut = 0; cut < bytes; cut++)
        check_refused(packed, cut);
    uint8_t *longer = calloc(1, bytes + 1);
    assert_non_null(longer);
    memcpy(longer, packed, bytes);
    check_refused(longer, bytes + 1);
    free(longer);
    /* The checker can pass: untouched, it is taken. */
    struct trace trace = {0};
    assert_int_equal(trace_unpack(packed, bytes, &trace), 0);
    assert_int_equal(trace.count, count);
    trace_clear(&trace);
    free(packed);
}

static uint32_t crc32_of(uint32_t crc, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xEDB88320U : crc >> 1;
    }
    return crc;
}

static void seal(uint8_t *packed, size_t bytes)
{
    uint32_t crc = ~crc32_of(crc32_of(0xFFFFFFFFU, packed, 1), packed + 5, bytes - 5);
    for (int i = 0; i < 4; i++)
        packed[1 + i] = (uint8_t)(crc >> (8 * i));
}

/* Damage under a right CRC (a program that lies, not a disk) may be read as
 * other numbers, but never past an end. */
static void test_forged_content_never_reads_past_the_end(void **state)
{
    (void)state;
    /* The CRC-32 of "123456789" is CBF43926 (the catalogue's check value, from
     * memory). */
    assert_int_equal(~crc32_of(0xFFFFFFFFU, (const uint8_t *)"123456789", 9), 0xCBF43926U);
    static struct reading readings[40];
    int refused = 0;
    for (int i = 0; i < 3000; i++) {
        size_t count = random_readings(readings, i % 2 ? 4 : 40);
        size_t bytes = 0;
        uint8_t *packed = trace_pack(readings, count, &bytes);
        assert_non_null(packed);
        for (int flips = 1 + (int)(random() % 3); flips > 0; flips--)
            packed[5 + (size_t)random() % (bytes - 5)] ^= (uint8_t)(1 + random() % 255);
        seal(packed, bytes);
        uint8_t *copy = malloc(bytes);
        assert_non_null(copy);
        memcpy(copy, packed, bytes);
        struct trace trace = {0};
        refused += trace_unpack(copy, bytes, &trace) != 0;
        trace_clear(&trace);
        free(copy);
        free(packed);
    }
    assert_true(refused > 0);
}

static void test_another_version_is_refused(void **state)
{
    (void)state;
    const struct reading one = {.time_s = 1, .voltage_V = 12, .current_A = 0.5, .valid = true};
    size_t bytes = 0;
    uint8_t *packed = trace_pack(&one, 1, &bytes);
    assert_non_null(packed);
    seal(packed, bytes);
    struct trace trace = {0};
    assert_int_equal(trace_unpack(packed, bytes, &trace), 0);
    trace_clear(&trace);
    packed[0] = 2;
    seal(packed, bytes);
    check_refused(packed, bytes);
    free(packed);
}

int main(void)
{
    const char *given = getenv("SEED");
    seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_random_round_trips),
        cmocka_unit_test(test_edges),
        cmocka_unit_test(test_a_steady_row_is_small),
        cmocka_unit_test(test_every_flipped_byte_is_told),
        cmocka_unit_test(test_forged_content_never_reads_past_the_end),
        cmocka_unit_test(test_another_version_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
