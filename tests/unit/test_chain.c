/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The chain from reading to verdict with a real store under it and made-up
 * readings above it: no supply, no waiting.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "bench/chain.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { MOST_EVENTS = 4000 };

struct told {
    char name[16];
    json_t *data;
};

struct fixture {
    char directory[64];
    struct supply_config supply;
    struct config config;
    struct store *store;
    struct writer *writer;
    struct status_board board;
    struct reading_queue *queue;
    struct chain *chain;
    struct bench_listener listener;
    pthread_mutex_t mutex;
    struct told told[MOST_EVENTS];
    size_t told_count;
    struct trace pushed;
    double time_s;
};

static void happened(void *context, const char *name, const char *data)
{
    struct fixture *fixture = context;
    pthread_mutex_lock(&fixture->mutex);
    if (fixture->told_count < MOST_EVENTS) {
        struct told *told = &fixture->told[fixture->told_count++];
        snprintf(told->name, sizeof told->name, "%s", name);
        told->data = json_loads(data, 0, NULL);
    }
    pthread_mutex_unlock(&fixture->mutex);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof *fixture);
    snprintf(fixture->directory, sizeof fixture->directory, "/tmp/wakedraw-chain-XXXXXX");
    assert_non_null(mkdtemp(fixture->directory));
    snprintf(fixture->supply.name, sizeof fixture->supply.name, "left");
    snprintf(fixture->supply.profile, sizeof fixture->supply.profile, "scpi");
    fixture->config.supplies = &fixture->supply;
    fixture->config.supply_count = 1;
    struct error error = {0};
    fixture->store = store_open(fixture->directory, &error);
    assert_non_null(fixture->store);
    fixture->writer = writer_create(fixture->store);
    assert_int_equal(status_board_init(&fixture->board, &fixture->config), 0);
    fixture->queue = reading_queue_create(64);
    pthread_mutex_init(&fixture->mutex, NULL);
    fixture->listener = (struct bench_listener){happened, fixture, NULL};
    fixture->chain = chain_create(&fixture->config, fixture->queue, fixture->writer,
                                  &fixture->board, &fixture->listener, 0);
    assert_non_null(fixture->chain);
    assert_int_equal(chain_start(fixture->chain), 0);
    *state = fixture;
    return 0;
}

static void push(struct fixture *fixture, enum queue_item_kind kind, void *payload)
{
    struct queue_item item = {.kind = kind, .payload = payload, .received_s = clock_monotonic_s()};
    reading_queue_push_waiting(fixture->queue, &item);
}

/* Ends the chain and the writer: after it all is told and on the disk. */
static void settle(struct fixture *fixture)
{
    push(fixture, ITEM_STOP, NULL);
    chain_join(fixture->chain);
    writer_destroy(fixture->writer);
    fixture->writer = NULL;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    chain_destroy(fixture->chain);
    status_board_clear(&fixture->board);
    reading_queue_destroy(fixture->queue);
    store_close(fixture->store);
    for (size_t i = 0; i < fixture->told_count; i++)
        json_decref(fixture->told[i].data);
    trace_clear(&fixture->pushed);
    char command[128];
    snprintf(command, sizeof command, "rm -rf %s", fixture->directory);
    assert_int_equal(system(command), 0);
    free(fixture);
    return 0;
}

/* `seconds` of 50 readings/s at this voltage and current. */
static void read_on(struct fixture *fixture, double seconds, double voltage_V, double current_A)
{
    double until_s = fixture->time_s + seconds;
    while (fixture->time_s < until_s - 1e-9) {
        fixture->time_s += 0.02;
        struct reading reading = {.time_s = fixture->time_s,
                                  .voltage_V = voltage_V,
                                  .current_A = current_A + 0.0001 * (fixture->pushed.count % 3),
                                  .valid = true,
                                  .output_on = voltage_V > 1 ? FLAG_YES : FLAG_NO,
                                  .limited = FLAG_UNKNOWN};
        reading_quantise(&reading);
        trace_append(&fixture->pushed, &reading);
        struct queue_item item = {
            .kind = ITEM_READING, .reading = reading, .received_s = clock_monotonic_s()};
        reading_queue_push_waiting(fixture->queue, &item);
    }
}

static void put_on(struct fixture *fixture, const char *module_type, double watch_s)
{
    struct bench_change *change = calloc(1, sizeof *change);
    snprintf(change->on_bench.module_type, sizeof change->on_bench.module_type, "%s", module_type);
    change->watch_s = watch_s;
    push(fixture, ITEM_ON_BENCH, change);
}

static void wake(struct fixture *fixture)
{
    read_on(fixture, 2, 0, 0);
    read_on(fixture, 0.5, 12, 0.05);
    read_on(fixture, 1, 12, 0.15);
}

static const char *text_of(const json_t *event, const char *key)
{
    return json_string_value(json_object_get(json_object_get(event, "power_up"), key));
}

/* The last event of this name; NULL: none. */
static const json_t *last_told(const struct fixture *fixture, const char *name)
{
    for (size_t i = fixture->told_count; i-- > 0;)
        if (strcmp(fixture->told[i].name, name) == 0)
            return fixture->told[i].data;
    return NULL;
}

static size_t count_kept(const struct fixture *fixture, struct trace *trace, int64_t id)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(fixture->directory, &error);
    assert_non_null(reader);
    int status = store_read_trace(reader, id, trace, &error);
    store_reader_close(reader);
    return status == 0 ? trace->count : 0;
}

static void test_what_is_read_is_kept_from_half_a_second_before_onset(void **state)
{
    struct fixture *fixture = *state;
    wake(fixture);
    read_on(fixture, 3, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    settle(fixture);
    const json_t *event = last_told(fixture, "power-up");
    assert_non_null(event);
    assert_string_equal(text_of(event, "state"), "complete");
    assert_string_equal(text_of(event, "ended_why"), "output off");
    struct trace kept = {0};
    assert_true(count_kept(fixture, &kept, 1) > 0);
    /* The readings of the trace are those pushed, moved to begin at 0. */
    double zero_s = kept.readings[0].time_s;
    assert_true(zero_s == 0.0);
    size_t first = 0;
    while (fixture->pushed.readings[first + 1].time_s < 2.02 - 0.5 + 1e-9)
        first++;
    assert_true(kept.count >= 25 + 4.5 * 50);
    assert_true(2.02 - fixture->pushed.readings[first].time_s >= 0.5 - 1e-9);
    for (size_t i = 0; i < kept.count; i++) {
        const struct reading *pushed = &fixture->pushed.readings[first + i];
        double moved_s = (double)(llround(pushed->time_s * 1e6) -
                                  llround(fixture->pushed.readings[first].time_s * 1e6)) /
                         1e6;
        if (kept.readings[i].time_s != moved_s)
            fail_msg("reading %zu at %.6f, pushed at %.6f", i, kept.readings[i].time_s, moved_s);
        assert_true(kept.readings[i].current_A == pushed->current_A);
        assert_true(kept.readings[i].voltage_V == pushed->voltage_V);
    }
    trace_clear(&kept);
}

static void test_a_verdict_is_told_once_and_kept(void **state)
{
    struct fixture *fixture = *state;
    wake(fixture);
    read_on(fixture, 2, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    settle(fixture);
    size_t verdicts = 0;
    for (size_t i = 0; i < fixture->told_count; i++) {
        if (strcmp(fixture->told[i].name, "verdict") != 0)
            continue;
        verdicts += json_is_true(json_object_get(fixture->told[i].data, "kept"));
        assert_string_equal(json_string_value(json_object_get(
                                json_object_get(fixture->told[i].data, "verdict"), "verdict")),
                            "unsure");
    }
    assert_int_equal(verdicts, 1);
    assert_int_equal(fixture->board.supplies[0].chain.verdicts[VERDICT_UNSURE], 1);
    assert_int_equal(fixture->board.supplies[0].chain.open_id, 0);
}

static void test_on_time_goes_on_after_the_watch(void **state)
{
    struct fixture *fixture = *state;
    put_on(fixture, "hatch", 3);
    wake(fixture);
    read_on(fixture, 20, 12, 0.25);
    read_on(fixture, 0.4, 12, 0.05); /* a drop that the log must show */
    read_on(fixture, 10, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    settle(fixture);
    struct trace kept = {0};
    assert_true(count_kept(fixture, &kept, 1) > 0);
    double onset_s = 0.5;
    bool drop_seen = false;
    size_t after = 0;
    for (size_t i = 1; i < kept.count; i++) {
        double gap_s = kept.readings[i].time_s - kept.readings[i - 1].time_s;
        assert_true(gap_s < 1.05);
        if (kept.readings[i].time_s > onset_s + 3.1) {
            after++;
            drop_seen |= kept.readings[i].current_A < 0.1;
        }
    }
    assert_true(drop_seen);
    /* Thinned to about one a second, not everything. */
    assert_true(after >= 28 && after < 80);
    const json_t *event = last_told(fixture, "power-up");
    double on_time_s =
        json_number_value(json_object_get(json_object_get(event, "power_up"), "on_time_s"));
    assert_true(fabs(on_time_s - 31.9) < 0.3);
    trace_clear(&kept);
}

static void test_a_lost_supply_leaves_an_incomplete_one(void **state)
{
    struct fixture *fixture = *state;
    wake(fixture);
    push(fixture, ITEM_LOST, NULL);
    fixture->time_s += 5;
    push(fixture, ITEM_BACK, NULL);
    read_on(fixture, 2, 0, 0);
    settle(fixture);
    const json_t *event = last_told(fixture, "power-up");
    assert_string_equal(text_of(event, "state"), "incomplete");
    assert_string_equal(text_of(event, "ended_why"), "supply gone");
    struct trace kept = {0};
    assert_int_equal(count_kept(fixture, &kept, 1), 25 + 75);
    trace_clear(&kept);
}

static void test_a_type_put_on_meanwhile_counts_from_the_next_one(void **state)
{
    struct fixture *fixture = *state;
    put_on(fixture, "hatch", 5);
    wake(fixture);
    put_on(fixture, "crane", 2);
    read_on(fixture, 2, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    wake(fixture);
    read_on(fixture, 3, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    settle(fixture);
    const char *types[3] = {NULL, NULL, NULL};
    for (size_t i = 0; i < fixture->told_count; i++) {
        if (strcmp(fixture->told[i].name, "power-up") != 0)
            continue;
        long id = strtol(text_of(fixture->told[i].data, "id"), NULL, 10);
        assert_true(id == 1 || id == 2);
        types[id] = text_of(fixture->told[i].data, "module_type");
    }
    assert_string_equal(types[1], "hatch");
    assert_string_equal(types[2], "crane");
}

/* Who asks for an open power-up gets all that was read of it. */
static void test_a_flush_brings_all_that_was_read(void **state)
{
    struct fixture *fixture = *state;
    wake(fixture);
    read_on(fixture, 0.5, 12, 0.25);
    size_t from = 0;
    while (fixture->pushed.readings[from + 1].time_s < 2.02 - 0.5 + 1e-9)
        from++;
    size_t wanted = fixture->pushed.count - from;
    struct trace kept = {0};
    push(fixture, ITEM_FLUSH, NULL);
    double until_s = clock_monotonic_s() + 60;
    while (count_kept(fixture, &kept, 1) != wanted && clock_monotonic_s() < until_s) {
        trace_clear(&kept);
        clock_sleep_until(clock_monotonic_s() + 0.01);
    }
    assert_int_equal(kept.count, wanted);
    trace_clear(&kept);
    settle(fixture);
}

static pthread_mutex_t gate = PTHREAD_MUTEX_INITIALIZER;

static bool hold_up(struct writer_job *job, struct store *store, bool grouped)
{
    (void)job;
    (void)store;
    pthread_mutex_lock(&gate);
    pthread_mutex_unlock(&gate);
    return !grouped;
}

/* While the disk keeps its beginning waiting, a power-up has no number to be told by. */
static void test_nothing_is_told_without_its_number(void **state)
{
    struct fixture *fixture = *state;
    struct writer_job holder = {.run = hold_up};
    pthread_mutex_lock(&gate);
    assert_true(writer_push(fixture->writer, &holder));
    wake(fixture);
    /* What goes on is told once a second. */
    clock_sleep_until(clock_monotonic_s() + 1.2);
    read_on(fixture, 1, 12, 0.25);
    clock_sleep_until(clock_monotonic_s() + 0.1);
    pthread_mutex_unlock(&gate);
    read_on(fixture, 2, 12, 0.25);
    read_on(fixture, 1, 0, 0);
    settle(fixture);
    size_t told = 0;
    for (size_t i = 0; i < fixture->told_count; i++) {
        if (strcmp(fixture->told[i].name, "power-up") != 0)
            continue;
        told++;
        assert_string_equal(text_of(fixture->told[i].data, "id"), "1");
    }
    assert_true(told >= 2);
}

static void test_reading_events_stay_below_twenty_a_second(void **state)
{
    struct fixture *fixture = *state;
    double from_s = clock_monotonic_s();
    read_on(fixture, 60, 12, 0.25);
    settle(fixture);
    double took_s = clock_monotonic_s() - from_s;
    size_t events = 0;
    for (size_t i = 0; i < fixture->told_count; i++)
        events += strcmp(fixture->told[i].name, "reading") == 0;
    assert_true(events >= 1);
    assert_true((double)events <= 20 * took_s + 2);
}

static void test_a_full_queue_refuses(void **state)
{
    (void)state;
    struct reading_queue *queue = reading_queue_create(3);
    struct queue_item item = {.kind = ITEM_READING};
    for (int i = 0; i < 3; i++) {
        item.supply = i;
        assert_true(reading_queue_push(queue, &item));
    }
    assert_false(reading_queue_push(queue, &item));
    assert_int_equal(reading_queue_length(queue), 3);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(reading_queue_take(queue, 0, 0, &item, 1), 1);
        assert_int_equal(item.supply, i);
    }
    assert_int_equal(reading_queue_take(queue, 0, clock_monotonic_s() + 0.01, &item, 1), 0);
    reading_queue_destroy(queue);
}

static void test_readings_gather_and_what_presses_does_not(void **state)
{
    (void)state;
    const double never_s = clock_monotonic_s() + 3600;
    struct reading_queue *queue = reading_queue_create(8);
    struct queue_item items[8];
    struct queue_item reading = {.kind = ITEM_READING};
    assert_true(reading_queue_push(queue, &reading));
    double gather_s = clock_monotonic_s() + 0.02;
    assert_int_equal(reading_queue_take(queue, gather_s, never_s, items, 8), 1);
    assert_true(clock_monotonic_s() >= gather_s);
    /* Nothing there: as long as the deadline says, not as the gathering. */
    double deadline_s = clock_monotonic_s() + 0.02;
    assert_int_equal(reading_queue_take(queue, never_s, deadline_s, items, 8), 0);
    assert_true(clock_monotonic_s() >= deadline_s);
    struct queue_item pressing[] = {{.kind = ITEM_READING, .brisk = true}, {.kind = ITEM_LOST}};
    for (int i = 0; i < 2; i++) {
        assert_true(reading_queue_push(queue, &reading));
        assert_true(reading_queue_push(queue, &pressing[i]));
        assert_int_equal(reading_queue_take(queue, never_s, never_s, items, 8), 2);
    }
    for (int i = 0; i < 5; i++)
        assert_true(reading_queue_push(queue, &reading));
    assert_int_equal(reading_queue_take(queue, never_s, never_s, items, 3), 3);
    assert_int_equal(reading_queue_take(queue, 0, never_s, items, 8), 2);
    reading_queue_destroy(queue);
}

static void *push_brisk(void *queue)
{
    struct queue_item item = {.kind = ITEM_READING, .brisk = true};
    reading_queue_push(queue, &item);
    return NULL;
}

static void test_what_presses_wakes_one_who_gathers(void **state)
{
    (void)state;
    const double never_s = clock_monotonic_s() + 3600;
    for (int i = 0; i < 200; i++) {
        struct reading_queue *queue = reading_queue_create(8);
        struct queue_item items[8];
        pthread_t thread;
        assert_int_equal(pthread_create(&thread, NULL, push_brisk, queue), 0);
        assert_int_equal(reading_queue_take(queue, i % 2 ? never_s : 0, never_s, items, 8), 1);
        pthread_join(thread, NULL);
        reading_queue_destroy(queue);
    }
}

#define CHAIN_TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        CHAIN_TEST(test_what_is_read_is_kept_from_half_a_second_before_onset),
        CHAIN_TEST(test_a_verdict_is_told_once_and_kept),
        CHAIN_TEST(test_on_time_goes_on_after_the_watch),
        CHAIN_TEST(test_a_flush_brings_all_that_was_read),
        CHAIN_TEST(test_nothing_is_told_without_its_number),
        CHAIN_TEST(test_a_lost_supply_leaves_an_incomplete_one),
        CHAIN_TEST(test_a_type_put_on_meanwhile_counts_from_the_next_one),
        CHAIN_TEST(test_reading_events_stay_below_twenty_a_second),
        cmocka_unit_test(test_a_full_queue_refuses),
        cmocka_unit_test(test_readings_gather_and_what_presses_does_not),
        cmocka_unit_test(test_what_presses_wakes_one_who_gathers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
