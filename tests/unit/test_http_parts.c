/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The pure parts of the HTTP room: addresses, paths, the access code, bodies,
 * page files.
 */
#include "http/access.h"
#include "http/address.h"
#include "http/answer.h"
#include "http/fields.h"
#include "http/page_files.h"
#include "http/path.h"

#include "support/scratch.h"

#include <arpa/inet.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static void an_address_is_read_or_refused(void **state)
{
    (void)state;
    struct address address;
    struct error error = {0};
    static const char *const wrong[] = {
        "",          "127.0.0.1",    ":8460",         "127.0.0.1:",    "127.0.0.1:x",
        "1.2.3:80",  "[::1]",        "[::1:80",       "::1:8460",      "127.0.0.1:65536",
        "host:8460", "127.0.0.1:-1", "127.0.0.1:8 0", "[127.0.0.1]:8", "127.0.0.1:123456",
    };
    assert_int_equal(address_parse("127.0.0.1:8460", &address, &error), 0);
    assert_true(address_is_loopback(&address));
    assert_int_equal(address_parse("[::1]:0", &address, &error), 0);
    assert_true(address_is_loopback(&address));
    assert_int_equal(address_parse("localhost:1", &address, &error), 0);
    assert_true(address_is_loopback(&address));
    assert_int_equal(address_parse("0.0.0.0:8460", &address, &error), 0);
    assert_false(address_is_loopback(&address));
    assert_int_equal(address_parse("[::]:8460", &address, &error), 0);
    assert_false(address_is_loopback(&address));
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        error = (struct error){0};
        assert_int_equal(address_parse(wrong[i], &address, &error), -1);
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_non_null(strstr(error.found, wrong[i]));
    }
}

static void a_host_is_ours_or_not(void **state)
{
    (void)state;
    assert_true(address_host_allowed("127.0.0.1:8460", 8460, false, ""));
    assert_true(address_host_allowed("LocalHost:8460", 8460, false, ""));
    assert_true(address_host_allowed("[::1]:8460", 8460, false, ""));
    assert_true(address_host_allowed("192.168.7.9:8460", 8460, false, ""));
    assert_true(address_host_allowed("localhost", 80, false, ""));
    assert_true(address_host_allowed("localhost", 443, true, ""));
    assert_true(address_host_allowed("bench-pc:8460", 8460, false, "bench-pc"));
    assert_true(address_host_allowed("Bench-PC.local:8460", 8460, false, "bench-pc"));
    assert_false(address_host_allowed(NULL, 8460, false, ""));
    assert_false(address_host_allowed("", 8460, false, ""));
    assert_false(address_host_allowed("127.0.0.1", 8460, false, ""));
    assert_false(address_host_allowed("127.0.0.1:8461", 8460, false, ""));
    assert_false(address_host_allowed("harbour.example:8460", 8460, false, ""));
    assert_false(address_host_allowed("bench-pc:8460", 8460, false, ""));
    assert_false(address_host_allowed("bench-pc.example:8460", 8460, false, "bench-pc"));
    assert_false(address_host_allowed("127.0.0.1.example:8460", 8460, false, ""));
    assert_false(address_host_allowed("localhost:8460:8460", 8460, false, ""));
    assert_true(address_origin_allowed("http://localhost:8460", "localhost:8460", false));
    assert_false(address_origin_allowed("https://localhost:8460", "localhost:8460", false));
    assert_true(address_origin_allowed("https://localhost:8460", "localhost:8460", true));
    assert_false(address_origin_allowed("null", "localhost:8460", false));
    assert_false(address_origin_allowed("http://localhost:8461", "localhost:8460", false));
    assert_false(address_origin_allowed("http://localhost:8460.example", "localhost:8460", false));
}

static void one_network_counts_as_one_client(void **state)
{
    (void)state;
    char one[ADDRESS_TEXT];
    char other[ADDRESS_TEXT];
    struct sockaddr_in6 six = {.sin6_family = AF_INET6};
    inet_pton(AF_INET6, "2001:db8:1:2:3:4:5:6", &six.sin6_addr);
    address_host((struct sockaddr *)&six, one);
    inet_pton(AF_INET6, "2001:db8:1:2:ffff::1", &six.sin6_addr);
    assert_string_equal(one, address_host((struct sockaddr *)&six, other));
    inet_pton(AF_INET6, "2001:db8:1:3::1", &six.sin6_addr);
    assert_string_not_equal(one, address_host((struct sockaddr *)&six, other));
    inet_pton(AF_INET6, "::1", &six.sin6_addr);
    assert_string_equal(address_host((struct sockaddr *)&six, other), "::1");
}

static void a_path_is_split_before_it_is_decoded(void **state)
{
    (void)state;
    struct path path;
    assert_int_equal(path_read("/a%2Fb/c%20d?x=1%262&y=a+b&flag", &path), PATH_OK);
    assert_int_equal(path.count, 2);
    assert_string_equal(path.segments[0], "a/b");
    assert_string_equal(path.segments[1], "c d");
    assert_string_equal(path_parameter(&path, "x"), "1&2");
    assert_string_equal(path_parameter(&path, "y"), "a b");
    assert_string_equal(path_parameter(&path, "flag"), "");
    assert_null(path_parameter(&path, "z"));
    assert_int_equal(path_read("/", &path), PATH_OK);
    assert_int_equal(path.count, 0);
    assert_int_equal(path_read("/a//b/", &path), PATH_OK);
    assert_int_equal(path.count, 4);
    assert_int_equal(path_read("/Gr%C3%BC%C3%9Fe", &path), PATH_OK);
    assert_string_equal(path.segments[0], "Gr\xC3\xBC\xC3\x9F"
                                          "e");
}

static void a_malformed_path_is_refused(void **state)
{
    (void)state;
    /* The UTF-8 cases are those that RFC 3629 section 3 and 10 name: a lone
     * continuation, overlong forms, surrogates, past U+10FFFF, cut short. */
    static const char *const wrong[] = {
        "",
        "a",
        "*",
        "/%",
        "/%4",
        "/%zz",
        "/%00",
        "/a%0Ab",
        "/%7F",
        "/\x80",
        "/%C0%AE%C0%AE",
        "/%E0%80%AF",
        "/%ED%A0%80",
        "/%F4%90%80%80",
        "/%F5%80%80%80",
        "/%C3",
        "/a?b=%",
        "/a?%C0=1",
    };
    struct path path;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_int_equal(path_read(wrong[i], &path), PATH_MALFORMED);
    char longest[PATH_LONGEST + 2];
    memset(longest, 'a', sizeof longest);
    longest[0] = '/';
    longest[PATH_LONGEST + 1] = '\0';
    assert_int_equal(path_read(longest, &path), PATH_TOO_LONG);
    longest[PATH_LONGEST] = '\0';
    assert_int_equal(path_read(longest, &path), PATH_OK);
    assert_int_equal(path_read("/1/2/3/4/5/6/7/8/9", &path), PATH_TOO_MANY);
    assert_int_equal(path_read("/?1&2&3&4&5&6&7&8&9&10&11&12&13", &path), PATH_TOO_MANY);
}

/* Whatever comes, what is read stays inside its bounds and is plain text. */
static void any_bytes_make_a_path_or_none(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    static const char letters[] = "/%?&=+.aF0219cCeE\xC3\xBC\x80\xFF\x01";
    print_message("seed %u\n", seed);
    for (int round = 0; round < 20000; round++) {
        char target[64] = "/";
        size_t length = 1 + (size_t)(rand_r(&seed) % 60);
        for (size_t i = 1; i < length; i++)
            target[i] = letters[(size_t)rand_r(&seed) % (sizeof letters - 1)];
        struct path path;
        if (path_read(target, &path) != PATH_OK)
            continue;
        for (size_t i = 0; i < path.count; i++) {
            assert_true(strlen(path.segments[i]) < length);
            json_t *text = json_string(path.segments[i]);
            assert_non_null(text); /* UTF-8 by another's reading */
            json_decref(text);
        }
    }
}

static void page_files_are_those_on_the_list(void **state)
{
    (void)state;
    static const struct {
        const char *target, *place, *media_type;
    } right[] = {
        {"/", "index.html", "text/html; charset=utf-8"},
        {"/views/bench.js", "views/bench.js", "text/javascript; charset=utf-8"},
        {"/vendor/uplot/uPlot.min.css", "node_modules/uplot/dist/uPlot.min.css",
         "text/css; charset=utf-8"},
    };
    static const char *const wrong[] = {
        "/..",
        "/../index.html",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/views/..%2f..%2fsecret.html",
        "/views%2fbench.js",
        "/.hidden.js",
        "/views/.git.js",
        "//etc/index.html",
        "/package.json",
        "/node_modules/uplot/dist/uPlot.min.css",
        "/vendor/other/uPlot.min.css",
        "/vendor/uplot/..js/x",
        "/index",
        "/index.html%00.js",
        "/index.php",
        "/views/",
        "/C:%5Cindex.html",
    };
    struct path path;
    char place[300];
    const char *media_type;
    for (size_t i = 0; i < sizeof right / sizeof right[0]; i++) {
        assert_int_equal(path_read(right[i].target, &path), PATH_OK);
        assert_true(page_files_place(&path, place, sizeof place, &media_type));
        assert_string_equal(place, right[i].place);
        assert_string_equal(media_type, right[i].media_type);
    }
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        if (path_read(wrong[i], &path) == PATH_OK)
            assert_false(page_files_place(&path, place, sizeof place, &media_type));
}

static void zstd_is_sent_to_whoever_takes_it(void **state)
{
    (void)state;
    static const char *const takes[] = {
        "zstd", "gzip, deflate, br, zstd", "ZSTD ;q=0.5, gzip", "br;q=1.0,zstd", "zstd ; q=1",
    };
    static const char *const leaves[] = {
        NULL,    "",  "gzip, deflate", "identity", "zstd;q=0", "gzip, zstd; q=0.0, br", "xzstd",
        "zstdx", "*",
    };
    for (size_t i = 0; i < sizeof takes / sizeof takes[0]; i++)
        assert_true(page_files_takes(takes[i], "zstd"));
    for (size_t i = 0; i < sizeof leaves / sizeof leaves[0]; i++)
        assert_false(page_files_takes(leaves[i], "zstd"));
}

static char directory[256];

static int make_directory(void **state)
{
    (void)state;
    scratch_make(directory, sizeof directory);
    return 0;
}

static int remove_directory(void **state)
{
    (void)state;
    scratch_remove(directory);
    return 0;
}

static const char *write_code(const char *text, char path[300])
{
    snprintf(path, 300, "%s/code", directory);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    assert_int_equal(fclose(file), 0);
    return path;
}

static void a_code_file_is_one_line_of_eight_or_more(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "", "\n", "1234567\n", "12345678\n12345678\n", "1234 5678\n", "12345678\t"};
    char path[300];
    struct error error = {0};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        error = (struct error){0};
        assert_null(access_create(write_code(wrong[i], path), &error));
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_string_equal(error.file, path);
    }
    snprintf(path, sizeof path, "%s/none", directory);
    assert_null(access_create(path, &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
    struct access *access = access_create(write_code("12345678\r\n", path), &error);
    assert_non_null(access);
    assert_true(access_has_code(access));
    access_destroy(access);
}

static void wrong_codes_make_their_address_wait(void **state)
{
    (void)state;
    char path[300];
    char longer[400] = "Bearer ";
    unsigned wait_s;
    struct error error = {0};
    struct access *access = access_create(write_code("correct-horse", path), &error);
    assert_non_null(access);
    memset(longer + 7, 'x', sizeof longer - 8);
    longer[sizeof longer - 1] = '\0';
    assert_int_equal(access_check(access, NULL, "a", 0, &wait_s), ACCESS_NO_CODE);
    assert_int_equal(access_check(access, "Basic correct-horse", "a", 0, &wait_s), ACCESS_NO_CODE);
    assert_int_equal(access_check(access, "bearer correct-horse", "a", 0, &wait_s), ACCESS_ALLOWED);
    static const char *const wrong[] = {"Bearer ", "Bearer correct-hors", "Bearer correct-horsf",
                                        "Bearer correct-horse1"};
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(access_check(access, wrong[i], "a", 1, &wait_s), ACCESS_WRONG_CODE);
        assert_int_equal(wait_s, 0);
    }
    assert_int_equal(access_check(access, longer, "a", 1, &wait_s), ACCESS_WRONG_CODE);
    assert_int_equal(wait_s, 1);
    assert_int_equal(access_check(access, "Bearer correct-horse", "a", 1.5, &wait_s), ACCESS_WAIT);
    assert_int_equal(access_check(access, "Bearer correct-horse", "b", 1.5, &wait_s),
                     ACCESS_ALLOWED);
    assert_int_equal(access_check(access, "Bearer wrong", "a", 2.1, &wait_s), ACCESS_WRONG_CODE);
    assert_int_equal(wait_s, 2);
    assert_int_equal(access_check(access, "Bearer correct-horse", "a", 4.2, &wait_s),
                     ACCESS_ALLOWED);
    assert_int_equal(access_check(access, "Bearer wrong", "a", 5, &wait_s), ACCESS_WRONG_CODE);
    assert_int_equal(wait_s, 0);
    access_destroy(access);
}

static void no_code_set_allows_all(void **state)
{
    (void)state;
    struct error error = {0};
    unsigned wait_s;
    struct access *access = access_create("", &error);
    assert_non_null(access);
    assert_int_equal(access_check(access, NULL, "a", 0, &wait_s), ACCESS_ALLOWED);
    access_destroy(access);
}

static void a_body_is_checked_key_by_key(void **state)
{
    (void)state;
    static const struct field fields[] = {
        {.key = "name", .kind = FIELD_TEXT, .needed = true, .longest = 5},
        {.key = "watch_s", .kind = FIELD_NUMBER, .most = 10, .above_least = true},
        {.key = "feeds", .kind = FIELD_TEXTS, .longest = 3},
    };
    static const struct {
        const char *body;
        unsigned status;
        const char *field;
    } wrong[] = {
        {"", 400, NULL},
        {"{", 400, NULL},
        {"{\"name\":\"a\"} x", 400, NULL},
        {"{\"name\":\"a\",\"name\":\"b\"}", 400, NULL},
        {"{\"name\":\"\xFF\"}", 400, NULL},
        {"{\"name\":\"\\u0000\"}", 400, NULL},
        {"[]", 422, NULL},
        {"\"name\"", 400, NULL},
        {"{}", 422, "name"},
        {"{\"name\":null}", 422, "name"},
        {"{\"name\":\"\"}", 422, "name"},
        {"{\"name\":7}", 422, "name"},
        {"{\"name\":\"abcdef\"}", 422, "name"},
        {"{\"name\":\"a\\nb\"}", 422, "name"},
        {"{\"name\":\"a\",\"colour\":1}", 422, "colour"},
        {"{\"name\":\"a\",\"watch_s\":\"5\"}", 422, "watch_s"},
        {"{\"name\":\"a\",\"watch_s\":0}", 422, "watch_s"},
        {"{\"name\":\"a\",\"watch_s\":10.5}", 422, "watch_s"},
        {"{\"name\":\"a\",\"watch_s\":1e999}", 400, NULL},
        {"{\"name\":\"a\",\"feeds\":\"x\"}", 422, "feeds"},
        {"{\"name\":\"a\",\"feeds\":[1]}", 422, "feeds"},
        {"{\"name\":\"a\",\"feeds\":[\"abcd\"]}", 422, "feeds"},
    };
    struct answer answer = {0};
    static const char right[] = "{\"name\":\"abcde\",\"watch_s\":10,\"feeds\":[\"a\",\"bcd\"]}";
    json_t *object = fields_read(right, strlen(right), fields, 3, &answer);
    assert_non_null(object);
    assert_string_equal(fields_text(object, "name"), "abcde");
    assert_string_equal(fields_text(object, "watch_s"), "");
    json_decref(object);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_null(fields_read(wrong[i].body, strlen(wrong[i].body), fields, 3, &answer));
        assert_int_equal(answer.status, wrong[i].status);
        json_t *problem = json_loadb(answer.body, answer.length, 0, NULL);
        const char *field = json_string_value(json_object_get(problem, "field"));
        assert_string_equal(field ? field : "", wrong[i].field ? wrong[i].field : "");
        assert_int_equal(json_integer_value(json_object_get(problem, "status")), wrong[i].status);
        json_decref(problem);
        answer_clear(&answer);
    }
}

static void nesting_is_counted_outside_texts(void **state)
{
    (void)state;
    static const char text[] = "{\"a[[[[\":[{\"b\\\"[\":1}],\"c\":[]}";
    assert_int_equal(fields_depth(text, strlen(text)), 3);
    char deep[200];
    memset(deep, '[', sizeof deep);
    struct answer answer = {0};
    assert_null(fields_read(deep, sizeof deep, NULL, 0, &answer));
    assert_int_equal(answer.status, 400);
    assert_non_null(strstr(answer.body, "deeper"));
    answer_clear(&answer);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_address_is_read_or_refused),
        cmocka_unit_test(a_host_is_ours_or_not),
        cmocka_unit_test(one_network_counts_as_one_client),
        cmocka_unit_test(a_path_is_split_before_it_is_decoded),
        cmocka_unit_test(a_malformed_path_is_refused),
        cmocka_unit_test(any_bytes_make_a_path_or_none),
        cmocka_unit_test(page_files_are_those_on_the_list),
        cmocka_unit_test(zstd_is_sent_to_whoever_takes_it),
        cmocka_unit_test_setup_teardown(a_code_file_is_one_line_of_eight_or_more, make_directory,
                                        remove_directory),
        cmocka_unit_test_setup_teardown(wrong_codes_make_their_address_wait, make_directory,
                                        remove_directory),
        cmocka_unit_test(no_code_set_allows_all),
        cmocka_unit_test(a_body_is_checked_key_by_key),
        cmocka_unit_test(nesting_is_counted_outside_texts),
    };
    return cmocka_run_group_tests_name("http parts", tests, NULL, NULL);
}
