/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/holds.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/bench_private.h"
#include "store/outputs.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What is to be known of an output, of one instant. */
struct standing {
    bool held, run_switches;
    int64_t run_id;
    char doing[40];
    struct on_bench on_bench;
};

static struct standing standing_of(struct bench *bench, int supply)
{
    pthread_mutex_lock(&bench->board.mutex);
    const struct supply_status *status = &bench->board.supplies[supply];
    struct standing standing = {.held = status->output.held,
                                .run_switches =
                                    status->chain.run_id != 0 && status->chain.run_switches,
                                .run_id = status->chain.run_id,
                                .on_bench = status->chain.on_bench};
    memcpy(standing.doing, status->output.doing, sizeof standing.doing);
    pthread_mutex_unlock(&bench->board.mutex);
    return standing;
}

static void put_status(struct bench *bench, int supply, const struct hold_status *hold)
{
    pthread_mutex_lock(&bench->board.mutex);
    bench->board.supplies[supply].hold = *hold;
    pthread_mutex_unlock(&bench->board.mutex);
}

static void tell_poller(struct bench *bench, int supply, bool held)
{
    poller_hold(bench->pollers[bench->poller_of[supply]], supply, held);
}

static int restore_one(struct store_reader *reader, struct bench *bench, int supply,
                       struct error *error)
{
    struct output_mark mark;
    if (store_read_output_mark(reader, bench->config->supplies[supply].name, MARK_HOLD, &mark,
                               error) != 0)
        return -1;
    if (mark.since_us == 0)
        return 0;
    struct hold_status hold = {.since_us = mark.since_us};
    snprintf(hold.unit, sizeof hold.unit, "%s", mark.unit);
    snprintf(hold.hand, sizeof hold.hand, "%s", mark.hand);
    snprintf(hold.why, sizeof hold.why, "%s", mark.why);
    put_status(bench, supply, &hold);
    tell_poller(bench, supply, true);
    log_info("%s: the hold goes on", bench->config->supplies[supply].name);
    return 0;
}

void holds_restore(struct bench *bench)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(bench->config->data, &error);
    int status = reader ? 0 : -1;
    for (int i = 0; i < bench->config->supply_count && status == 0; i++)
        status = restore_one(reader, bench, i, &error);
    store_reader_close(reader);
    char text[1200];
    if (status != 0)
        log_failure("what was held is not known: %s", error_text(&error, text, sizeof text));
}

struct hold_write {
    struct output_line line;
    struct output_mark mark;
    bool on;
};

static int write_hold(struct store *store, void *context, struct error *error)
{
    const struct hold_write *write = context;
    return store_put_hold(store, &write->line, write->on ? &write->mark : NULL, error);
}

static int keep(struct bench *bench, int supply, bool on, const struct output_asker *asker,
                const struct hold_status *hold, struct error *error)
{
    struct hold_write write = {
        .line = {.at_us = hold->since_us,
                 .supply = bench->config->supplies[supply].name,
                 .what = output_what_name(on ? OUTPUT_HELD : OUTPUT_HOLD_OVER),
                 .who = asker->who,
                 .hand = asker->hand,
                 .why = asker->why,
                 .problem = "",
                 .voltage_V = NAN,
                 .limit_A = NAN},
        .mark = {.since_us = hold->since_us},
        .on = on,
    };
    snprintf(write.mark.who, sizeof write.mark.who, "%s", asker->who);
    snprintf(write.mark.hand, sizeof write.mark.hand, "%s", asker->hand);
    snprintf(write.mark.why, sizeof write.mark.why, "%s", asker->why);
    snprintf(write.mark.unit, sizeof write.mark.unit, "%s", hold->unit);
    return bench_write(bench, write_hold, &write, error);
}

static int check_begin(const struct standing *standing, struct error *error)
{
    if (standing->run_switches)
        return error_set(error, EXIT_USAGE, "", 0, NULL,
                         "run %lld switches this output: end it first",
                         (long long)standing->run_id);
    if (standing->doing[0])
        return error_set(error, EXIT_USAGE, "", 0, NULL,
                         "the output is being switched (%s): wait until it is over",
                         standing->doing);
    return 0;
}

int holds_put(struct bench *bench, int supply, bool on, const struct output_asker *asker,
              struct error *error)
{
    struct standing standing = standing_of(bench, supply);
    if (standing.held == on)
        return 0;
    if (on && check_begin(&standing, error) != 0)
        return -1;
    struct hold_status hold = {.since_us = clock_wall_us()};
    snprintf(hold.unit, sizeof hold.unit, "%s", standing.on_bench.unit);
    snprintf(hold.hand, sizeof hold.hand, "%s", asker->hand);
    snprintf(hold.why, sizeof hold.why, "%s", asker->why);
    /* Held first, and kept then; no longer kept first, and free then. */
    if (on) {
        put_status(bench, supply, &hold);
        tell_poller(bench, supply, true);
    }
    int status = keep(bench, supply, on, asker, &hold, error);
    bool held = status == 0 ? on : !on;
    if (!held)
        tell_poller(bench, supply, false);
    if (status == 0)
        outputs_told(bench->outputs, supply, on ? OUTPUT_HELD : OUTPUT_HOLD_OVER, asker);
    return status;
}

int holds_check_unit(struct bench *bench, int supply, const char *unit, const char *work_order,
                     struct error *error)
{
    struct standing standing = standing_of(bench, supply);
    const struct on_bench *on_bench = &standing.on_bench;
    bool same = unit[0] ? strcmp(unit, on_bench->unit) == 0
                        : (!on_bench->unit[0] && !work_order[0]) ||
                              (work_order[0] && strcmp(work_order, on_bench->work_order) == 0);
    if (!standing.held || same)
        return 0;
    return error_set(error, EXIT_USAGE, "", 0, NULL,
                     "the memory of %s is being read or written: end the hold first",
                     on_bench->unit[0] ? on_bench->unit : "the unit");
}

int holds_check_run(struct bench *bench, int supply, struct error *error)
{
    if (!standing_of(bench, supply).held)
        return 0;
    return error_set(error, EXIT_USAGE, "", 0, NULL,
                     "the memory of the unit is being read or written: end the hold first");
}
