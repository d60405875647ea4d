/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The chain of records: hashes against published vectors, and every way in which
 * a chain can be tampered with.
 */
#include "record/record_chain.h"

#include <gnutls/crypto.h>
#include <gnutls/gnutls.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { LENGTH = 5 };

struct kept {
    char content[80], hash[RECORD_HASH_ROOM];
};

static void make_chain(struct kept *kept)
{
    for (int i = 0; i < LENGTH; i++) {
        snprintf(kept[i].content, sizeof kept[i].content, "{\"unit\":\"HL-%d\"}", i);
        assert_int_equal(record_hash(i ? kept[i - 1].hash : "", kept[i].content, kept[i].hash), 0);
    }
}

/* The first number that does not fit; 0: whole. Records from `from` on, `without`
 * left out. */
static int first_broken(const struct kept *kept, int from, int without, struct error *error)
{
    struct record_chain chain = {0};
    for (int i = from; i < LENGTH; i++) {
        struct record_link link = {i + 1, kept[i].content, i ? kept[i - 1].hash : "", kept[i].hash};
        if (i != without && record_chain_take(&chain, &link, error) != 0)
            return i + 1;
    }
    return 0;
}

/* "abc", published with FIPS 180-4 (NIST, Cryptographic Standards and Guidelines,
 * example values): what we call is SHA-256. Then what we call it on: the values of
 * sha256sum (coreutils) for one line's end, and for "abc", a line's end, "abc". */
static void test_hash_is_sha_256(void **state)
{
    (void)state;
    static const unsigned char published[32] = {0xba, 0x78, 0x16, 0xbf, 0x8f, 0x01, 0xcf, 0xea,
                                                0x41, 0x41, 0x40, 0xde, 0x5d, 0xae, 0x22, 0x23,
                                                0xb0, 0x03, 0x61, 0xa3, 0x96, 0x17, 0x7a, 0x9c,
                                                0xb4, 0x10, 0xff, 0x61, 0xf2, 0x00, 0x15, 0xad};
    unsigned char bytes[32];
    char hash[RECORD_HASH_ROOM];
    assert_int_equal(gnutls_hash_fast(GNUTLS_DIG_SHA256, "abc", 3, bytes), 0);
    assert_memory_equal(bytes, published, sizeof bytes);
    assert_int_equal(record_hash("", "", hash), 0);
    assert_string_equal(hash, "01ba4719c80b6fe911b091a7c05124b64eeece964e09c058ef8f9805daca546b");
    assert_int_equal(record_hash("abc", "abc", hash), 0);
    assert_string_equal(hash, "8805d2466f4ff27a9d1a81c4f400d902b02f5ce657fbaa696126d8947b20d442");
}

static void test_a_whole_chain_fits_from_any_link_on(void **state)
{
    (void)state;
    struct kept kept[LENGTH];
    struct error error = {0};
    make_chain(kept);
    for (int from = 0; from < LENGTH; from++)
        assert_int_equal(first_broken(kept, from, -1, &error), 0);
}

static void test_a_changed_content_is_found(void **state)
{
    (void)state;
    struct kept kept[LENGTH];
    for (int i = 0; i < LENGTH; i++) {
        struct error error = {0};
        make_chain(kept);
        kept[i].content[10] ^= 1;
        assert_int_equal(first_broken(kept, 0, -1, &error), i + 1);
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_non_null(strstr(error.found, "was changed"));
    }
}

/* Content and hash changed together: the next link tells. */
static void test_a_record_written_anew_is_found_by_the_next(void **state)
{
    (void)state;
    struct kept kept[LENGTH];
    for (int i = 0; i + 1 < LENGTH; i++) {
        struct error error = {0};
        make_chain(kept);
        struct kept before = kept[i];
        strcpy(kept[i].content, "{\"unit\":\"other\"}");
        record_hash(i ? kept[i - 1].hash : "", kept[i].content, kept[i].hash);
        struct record_chain chain = {0};
        struct record_link link = {i + 1, kept[i].content, i ? kept[i - 1].hash : "", kept[i].hash};
        struct record_link next = {i + 2, kept[i + 1].content, before.hash, kept[i + 1].hash};
        assert_int_equal(record_chain_take(&chain, &link, &error), 0);
        assert_int_equal(record_chain_take(&chain, &next, &error), -1);
        assert_non_null(strstr(error.found, "predecessor"));
    }
}

static void test_a_record_left_out_is_found(void **state)
{
    (void)state;
    struct kept kept[LENGTH];
    make_chain(kept);
    for (int i = 1; i + 1 < LENGTH; i++) {
        struct error error = {0};
        assert_int_equal(first_broken(kept, 0, i, &error), i + 2);
        assert_non_null(strstr(error.expected, "record"));
    }
}

static void test_only_the_first_has_no_predecessor(void **state)
{
    (void)state;
    char hash[RECORD_HASH_ROOM];
    struct error error = {0};
    record_hash("", "{}", hash);
    struct record_link second = {2, "{}", "", hash};
    struct record_chain chain = {0};
    assert_int_equal(record_chain_take(&chain, &second, &error), -1);
    struct record_link zeroth = {0, "{}", "", hash};
    assert_int_equal(record_chain_take(&chain, &zeroth, &error), -1);
}

static void test_canonical_form_does_not_depend_on_the_order_of_keys(void **state)
{
    (void)state;
    json_t *one = json_pack("{s:i, s:{s:f, s:s}}", "b", 2, "a", "z", 0.1, "y", "\u00e9");
    json_t *other = json_pack("{s:{s:s, s:f}, s:i}", "a", "y", "\u00e9", "z", 0.1, "b", 2);
    char *first = record_canonical(one);
    char *second = record_canonical(other);
    assert_string_equal(first, second);
    assert_string_equal(first, "{\"a\":{\"y\":\"\u00e9\",\"z\":0.10000000000000001},\"b\":2}");
    free(first);
    free(second);
    json_decref(one);
    json_decref(other);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hash_is_sha_256),
        cmocka_unit_test(test_a_whole_chain_fits_from_any_link_on),
        cmocka_unit_test(test_a_changed_content_is_found),
        cmocka_unit_test(test_a_record_written_anew_is_found_by_the_next),
        cmocka_unit_test(test_a_record_left_out_is_found),
        cmocka_unit_test(test_only_the_first_has_no_predecessor),
        cmocka_unit_test(test_canonical_form_does_not_depend_on_the_order_of_keys),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
