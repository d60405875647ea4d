/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Switching and setting over SCPI, against a small supply in a thread of this
 * program: what is read back decides, and without control nothing is said.
 */
#include "supply/profile_content.h"
#include "supply/supply.h"

#include <arpa/inet.h>
#include <math.h>
#include <netinet/in.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

struct peer {
    int listener, port;
    pthread_t thread;
    /* How it is. */
    double set_V, set_A;
    bool on;
    int selected;
    char error[80];
    /* How it misbehaves. */
    bool stuck;          /* takes the output command and does nothing */
    double protection_V; /* 0: knows no such thing */
    double most_V;       /* cuts a voltage off there, without a word */
    bool refuses;        /* -222 to every setting */
    char log[8192];
};

static bool number_behind(const char *part, const char *name, double *number)
{
    size_t length = strlen(name);
    if (strncmp(part, name, length) != 0)
        return false;
    char *end = NULL;
    *number = strtod(part + length, &end);
    return end > part + length;
}

static void answer(struct peer *peer, const char *part, char *reply, size_t size)
{
    double number = 0;
    reply[0] = '\0';
    if (strcmp(part, "*IDN?") == 0)
        snprintf(reply, size, "EXAMPLE,PSU-2,1,1.0");
    else if (strcmp(part, "SYST:ERR?") == 0)
        snprintf(reply, size, "%s", peer->error[0] ? peer->error : "0,\"No error\"");
    else if (strcmp(part, "MEAS:VOLT?") == 0)
        snprintf(reply, size, "%.3f", peer->on ? peer->set_V : 0);
    else if (strcmp(part, "MEAS:CURR?") == 0)
        snprintf(reply, size, "%.3f", peer->on ? 0.25 : 0);
    else if (strcmp(part, "OUTP?") == 0)
        snprintf(reply, size, "%d", peer->on);
    else if (strcmp(part, "VOLT?") == 0)
        snprintf(reply, size, "%.3f", peer->set_V);
    else if (strcmp(part, "CURR?") == 0)
        snprintf(reply, size, "%.3f", peer->set_A);
    else if (strcmp(part, "VOLT:PROT?") == 0 && peer->protection_V > 0)
        snprintf(reply, size, "%.3f", peer->protection_V);
    else if (strcmp(part, "INST:NSEL?") == 0)
        snprintf(reply, size, "%d", peer->selected);
    if (strcmp(part, "SYST:ERR?") == 0 || strcmp(part, "*CLS") == 0)
        peer->error[0] = '\0';
    else if (strncmp(part, "OUTP O", 6) == 0 && !peer->stuck)
        peer->on = strcmp(part, "OUTP ON") == 0;
    else if (number_behind(part, "INST:NSEL ", &number))
        peer->selected = (int)number;
    else if (peer->refuses && (strncmp(part, "VOLT ", 5) == 0 || strncmp(part, "CURR ", 5) == 0))
        snprintf(peer->error, sizeof peer->error, "-222,\"Data out of range\"");
    else if (number_behind(part, "VOLT ", &number))
        peer->set_V = peer->most_V > 0 && number > peer->most_V ? peer->most_V : number;
    else if (number_behind(part, "CURR ", &number))
        peer->set_A = number;
}

static void append(char *text, size_t size, const char *more)
{
    size_t used = strlen(text);
    snprintf(text + used, size - used, "%s", more);
}

static void take_message(struct peer *peer, char *message, int descriptor)
{
    append(peer->log, sizeof peer->log, message);
    append(peer->log, sizeof peer->log, "\n");
    char out[512] = "";
    for (char *rest = message, *part; (part = strsep(&rest, ";")) != NULL;) {
        char reply[120];
        answer(peer, part[0] == ':' ? part + 1 : part, reply, sizeof reply);
        if (!reply[0])
            continue;
        if (out[0])
            append(out, sizeof out, ";");
        append(out, sizeof out, reply);
    }
    if (!out[0])
        return;
    append(out, sizeof out, "\n");
    if (write(descriptor, out, strlen(out)) < 0)
        perror("peer");
}

static void *serve(void *context)
{
    struct peer *peer = context;
    int descriptor = accept(peer->listener, NULL, NULL);
    if (descriptor < 0)
        return NULL;
    FILE *stream = fdopen(descriptor, "r");
    char line[600];
    while (stream && fgets(line, sizeof line, stream)) {
        line[strcspn(line, "\n")] = '\0';
        take_message(peer, line, descriptor);
    }
    if (stream)
        fclose(stream);
    return NULL;
}

struct bench {
    struct peer peer;
    struct profile *profile;
    struct connection *connection;
    struct supply *supply;
    struct error error;
};

static void bench_start(struct bench *bench, const char *profile, int output, bool control)
{
    struct peer *peer = &bench->peer;
    peer->selected = 1;
    peer->listener = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof address;
    assert_int_equal(bind(peer->listener, (struct sockaddr *)&address, size), 0);
    assert_int_equal(listen(peer->listener, 1), 0);
    assert_int_equal(getsockname(peer->listener, (struct sockaddr *)&address, &size), 0);
    assert_int_equal(pthread_create(&peer->thread, NULL, serve, peer), 0);
    char text[64];
    snprintf(text, sizeof text, "tcp:127.0.0.1:%d", ntohs(address.sin_port));
    struct link_spec spec;
    assert_int_equal(link_parse(text, &spec, &bench->error), 0);
    char path[128];
    snprintf(path, sizeof path, "daemon/profiles/%s.ini", profile);
    bench->profile = profile_load(path, &bench->error);
    assert_non_null(bench->profile);
    bench->profile->reply_timeout_s = 0.3;
    bench->profile->rated_voltage_V = 30;
    bench->profile->rated_current_A = 5;
    bench->connection = connection_create(bench->profile, &spec, &bench->error);
    assert_non_null(bench->connection);
    bench->supply = supply_create(bench->connection, output, control, &bench->error);
    assert_non_null(bench->supply);
    if (connection_open(bench->connection, &bench->error) != 0)
        fail_msg("%s", bench->error.found);
}

static void bench_stop(struct bench *bench)
{
    supply_destroy(bench->supply);
    connection_destroy(bench->connection);
    profile_destroy(bench->profile);
    shutdown(bench->peer.listener, SHUT_RDWR);
    pthread_join(bench->peer.thread, NULL);
    close(bench->peer.listener);
}

static void test_set_and_switch(void **state)
{
    (void)state;
    struct bench bench = {0};
    bench_start(&bench, "scpi", 1, true);
    if (supply_set(bench.supply, 13.8, 2.5, &bench.error) != SUPPLY_OK)
        fail_msg("%s", bench.error.found);
    assert_true(bench.peer.set_V == 13.8 && bench.peer.set_A == 2.5);
    double voltage_V = 0;
    double limit_A = 0;
    supply_settings(bench.supply, &voltage_V, &limit_A);
    assert_true(voltage_V == 13.8 && limit_A == 2.5);
    /* The limit goes out before the voltage. */
    assert_true(strstr(bench.peer.log, "CURR 2.5") < strstr(bench.peer.log, "VOLT 13.8"));
    assert_int_equal(supply_switch_output(bench.supply, true, &bench.error), SUPPLY_OK);
    assert_true(bench.peer.on);
    struct reading reading;
    bool repeat = false;
    assert_int_equal(supply_read(bench.supply, &reading, &repeat, &bench.error), SUPPLY_OK);
    assert_true(reading.voltage_V == 13.8 && reading.current_A == 0.25);
    assert_int_equal(supply_switch_output(bench.supply, false, &bench.error), SUPPLY_OK);
    assert_false(bench.peer.on);
    bench_stop(&bench);
}

static void test_what_is_read_back_decides(void **state)
{
    (void)state;
    struct bench bench = {.peer = {.stuck = true, .most_V = 12}};
    bench_start(&bench, "scpi", 1, true);
    assert_int_equal(supply_switch_output(bench.supply, true, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "switched on and still reads off"));
    assert_int_equal(supply_set(bench.supply, 13.8, 2, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "set to 13.8 V, reads back 12 V"));
    bench.peer.refuses = true;
    assert_int_equal(supply_set(bench.supply, 5, 1, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "-222, \"Data out of range\""));
    bench_stop(&bench);
}

static void test_ratings(void **state)
{
    (void)state;
    struct bench bench = {0};
    bench_start(&bench, "scpi", 1, true);
    static const double refused[][2] = {{31, 1}, {12, 5.1}, {-1, 1}, {12, -1}, {NAN, 1}, {12, NAN}};
    for (size_t i = 0; i < sizeof refused / sizeof *refused; i++)
        assert_int_equal(supply_set(bench.supply, refused[i][0], refused[i][1], &bench.error),
                         SUPPLY_NO_READING);
    assert_null(strstr(bench.peer.log, "VOLT 31"));
    assert_null(strstr(bench.peer.log, "CURR "));
    bench_stop(&bench);
}

static void test_without_control(void **state)
{
    (void)state;
    struct bench bench = {0};
    bench_start(&bench, "scpi", 1, false);
    assert_int_equal(supply_switch_output(bench.supply, true, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "control = off"));
    assert_int_equal(supply_set(bench.supply, 5, 1, &bench.error), SUPPLY_NO_READING);
    struct reading reading;
    bool repeat = false;
    assert_int_equal(supply_read(bench.supply, &reading, &repeat, &bench.error), SUPPLY_OK);
    bench_stop(&bench);
    for (char *rest = bench.peer.log, *line; (line = strsep(&rest, "\n")) != NULL;)
        if (line[0] && !strchr(line, '?') && strcmp(line, "*CLS") != 0)
            fail_msg("\"%s\" went out", line);
    assert_false(bench.peer.on);
}

/* Two outputs of one supply in turn, each selected before it is read. */
static void test_selection(void **state)
{
    (void)state;
    struct bench bench = {0};
    bench_start(&bench, "scpi-nselect", 2, true);
    struct reading reading;
    bool repeat = false;
    enum supply_result result = SUPPLY_NO_READING;
    for (int i = 0; i < 4 && result != SUPPLY_OK; i++)
        result = supply_read(bench.supply, &reading, &repeat, &bench.error);
    assert_int_equal(result, SUPPLY_OK);
    assert_int_equal(bench.peer.selected, 2);
    /* A hand at the supply selects another: no reading is taken for ours. */
    bench.peer.selected = 1;
    assert_int_equal(supply_read(bench.supply, &reading, &repeat, &bench.error), SUPPLY_NO_READING);
    assert_int_equal(supply_read(bench.supply, &reading, &repeat, &bench.error), SUPPLY_OK);
    assert_int_equal(bench.peer.selected, 2);
    struct supply *other = supply_create(bench.connection, 3, true, &bench.error);
    assert_non_null(other);
    int good = 0;
    for (int i = 0; i < 20; i++) {
        good += supply_read(other, &reading, &repeat, &bench.error) == SUPPLY_OK &&
                bench.peer.selected == 3;
        good += supply_read(bench.supply, &reading, &repeat, &bench.error) == SUPPLY_OK &&
                bench.peer.selected == 2;
    }
    assert_int_equal(good, 40);
    supply_destroy(other);
    bench_stop(&bench);
}

/* A voltage that would trip the overvoltage protection is not set. */
static void test_protection(void **state)
{
    (void)state;
    struct bench bench = {.peer = {.protection_V = 13}};
    struct reading reading;
    bool repeat = false;
    bench_start(&bench, "scpi", 1, true);
    assert_int_equal(supply_set(bench.supply, 14, 1, &bench.error), SUPPLY_NO_READING);
    assert_int_equal(supply_read(bench.supply, &reading, &repeat, &bench.error), SUPPLY_OK);
    assert_int_equal(supply_set(bench.supply, 12.5, 1, &bench.error), SUPPLY_OK);
    assert_int_equal(supply_set(bench.supply, 14, 1, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "overvoltage protection of 13 V"));
    assert_true(bench.peer.set_V == 12.5);
    /* Once told, it has to be told: a lost answer lets no voltage through. */
    bench.peer.protection_V = 0;
    assert_int_equal(supply_set(bench.supply, 14, 1, &bench.error), SUPPLY_NO_READING);
    assert_non_null(strstr(bench.error.found, "no answer to VOLT:PROT?"));
    assert_true(bench.peer.set_V == 12.5);
    bench_stop(&bench);
    /* Who does not tell it is asked once. */
    struct bench without = {0};
    bench_start(&without, "scpi", 1, true);
    assert_int_equal(supply_read(without.supply, &reading, &repeat, &without.error), SUPPLY_OK);
    for (int i = 0; i < 2; i++)
        assert_int_equal(supply_set(without.supply, 14, 1, &without.error), SUPPLY_OK);
    const char *asked = strstr(without.peer.log, "VOLT:PROT?");
    assert_non_null(asked);
    assert_null(strstr(asked + 1, "VOLT:PROT?"));
    bench_stop(&without);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_set_and_switch),
        cmocka_unit_test(test_protection),
        cmocka_unit_test(test_what_is_read_back_decides),
        cmocka_unit_test(test_ratings),
        cmocka_unit_test(test_without_control),
        cmocka_unit_test(test_selection),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
