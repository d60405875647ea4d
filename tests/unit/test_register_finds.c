/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A finding that no page asks about ends itself and lets its link go.
 */
#include "base/clock.h"
#include "http/register_finds.h"

#include <arpa/inet.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

static const double PATIENCE_S = 90;

/* A unit with registers 0 to 3 by both functions, one connection after the other; *ended
 * counts those that were closed. */
struct unit {
    int listener;
    pthread_mutex_t mutex;
    int ended;
};

static void answer(int socket, const unsigned char *asked)
{
    unsigned address = (unsigned)asked[8] << 8 | asked[9];
    unsigned count = (unsigned)asked[10] << 8 | asked[11];
    unsigned char reply[300] = {asked[0], asked[1], 0, 0, 0, 3, asked[6], asked[7] | 0x80U, 2};
    size_t length = 9;
    if (address + count <= 4) {
        reply[5] = (unsigned char)(3 + 2 * count);
        reply[7] = asked[7];
        reply[8] = (unsigned char)(2 * count);
        length = 9 + 2 * count;
    }
    assert_int_equal(write(socket, reply, length), (ssize_t)length);
}

static void *serve(void *context)
{
    struct unit *unit = context;
    int socket = -1;
    while ((socket = accept(unit->listener, NULL, NULL)) >= 0) {
        unsigned char asked[12];
        while (recv(socket, asked, sizeof asked, MSG_WAITALL) == (ssize_t)sizeof asked)
            answer(socket, asked);
        close(socket);
        pthread_mutex_lock(&unit->mutex);
        unit->ended++;
        pthread_mutex_unlock(&unit->mutex);
    }
    return NULL;
}

static bool has_ended(struct unit *unit)
{
    pthread_mutex_lock(&unit->mutex);
    bool ended = unit->ended > 0;
    pthread_mutex_unlock(&unit->mutex);
    return ended;
}

static char *state_of(struct register_finds *finds, int64_t id, char state[20])
{
    json_t *json = register_find_json(finds, id);
    assert_non_null(json);
    snprintf(state, 20, "%s", json_string_value(json_object_get(json, "state")));
    json_decref(json);
    return state;
}

static void page_gone(void **state)
{
    (void)state;
    struct unit unit = {.mutex = PTHREAD_MUTEX_INITIALIZER};
    struct sockaddr_in place = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t size = sizeof place;
    pthread_t thread;
    unit.listener = socket(AF_INET, SOCK_STREAM, 0);
    assert_int_equal(bind(unit.listener, (struct sockaddr *)&place, size), 0);
    assert_int_equal(listen(unit.listener, 4), 0);
    assert_int_equal(getsockname(unit.listener, (struct sockaddr *)&place, &size), 0);
    assert_int_equal(pthread_create(&thread, NULL, serve, &unit), 0);

    char link[60];
    char word[20];
    struct error error = {0};
    struct find_begin begin = {.supply = {30, 5, 24, 3, 0.01, 0.001, FINDER_JOINED, 0, 0},
                               .to = 31};
    snprintf(link, sizeof link, "modbus-tcp:127.0.0.1:%d", ntohs(place.sin_port));
    assert_int_equal(link_parse(link, &begin.link, &error), 0);
    struct register_finds *finds = register_finds_create(2);
    int64_t id = register_finds_begin(finds, &begin, &error);
    assert_true(id > 0);
    double until_s = clock_monotonic_s() + PATIENCE_S;
    while (strcmp(state_of(finds, id, word), "asking") != 0 && clock_monotonic_s() < until_s)
        clock_sleep_until(clock_monotonic_s() + 0.02);
    assert_string_equal(word, "asking");

    /* Asked about all the time, it stays well beyond the two seconds. */
    double stays_s = clock_monotonic_s() + 4;
    while (clock_monotonic_s() < stays_s) {
        assert_string_equal(state_of(finds, id, word), "asking");
        clock_sleep_until(clock_monotonic_s() + 0.05);
    }
    assert_false(has_ended(&unit));
    until_s = clock_monotonic_s() + PATIENCE_S;
    while (!has_ended(&unit) && clock_monotonic_s() < until_s)
        clock_sleep_until(clock_monotonic_s() + 0.05);
    assert_true(has_ended(&unit)); /* the link is let go */
    assert_string_equal(state_of(finds, id, word), "failed");
    struct finder_answer as_asked = {0};
    assert_int_equal(register_find_step(finds, id, 1, &as_asked, &error), -1);
    register_finds_destroy(finds);
    shutdown(unit.listener, SHUT_RDWR);
    pthread_join(thread, NULL);
    close(unit.listener);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(page_gone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
