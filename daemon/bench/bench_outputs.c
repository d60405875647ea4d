/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Hands on outputs, as the pages and the runs ask for them.
 */
#include "bench/bench_private.h"

int bench_output_wish(struct bench *bench, int supply, bool on, const struct output_asker *asker,
                      struct output_wish *wish, struct error *error)
{
    return outputs_wish(bench->outputs, supply, on, asker, wish, error);
}

int bench_drive_output(struct bench *bench, int supply, const struct output_wish *wish,
                       struct error *error)
{
    return outputs_drive(bench->outputs, supply, wish, error);
}

/* Nothing here may wait: not for the disk, not for an on that is under way. */
static int switch_off(struct bench *bench, int supply, const struct output_asker *asker,
                      struct error *error)
{
    if (outputs_check_control(bench->outputs, supply, error) != 0 ||
        runs_give_way(bench->runs, supply, false, error) != 0)
        return -1;
    return outputs_off(bench->outputs, supply, asker, error);
}

static int switch_on(struct bench *bench, int supply, const struct output_asker *asker,
                     double asked_s, struct error *error)
{
    struct output_wish wish;
    struct error why = {0};
    if (outputs_check_control(bench->outputs, supply, &why) == 0 &&
        runs_give_way(bench->runs, supply, true, &why) == 0 &&
        outputs_wish(bench->outputs, supply, true, asker, &wish, &why) == 0) {
        wish.asked_s = asked_s;
        return outputs_drive(bench->outputs, supply, &wish, error);
    }
    outputs_refused(bench->outputs, supply, asker, &why);
    if (error)
        *error = why;
    return -1;
}

int bench_switch_output(struct bench *bench, const char *supply, bool on,
                        const struct output_asker *asker, double asked_s, struct error *error)
{
    int index = bench_find_supply(bench, supply, error);
    if (index < 0)
        return -1;
    return on ? switch_on(bench, index, asker, asked_s, error)
              : switch_off(bench, index, asker, error);
}

int bench_hold(struct bench *bench, const char *supply, bool on, const struct output_asker *asker,
               struct error *error)
{
    int index = bench_find_supply(bench, supply, error);
    if (index < 0)
        return -1;
    pthread_mutex_lock(&bench->change_mutex);
    int status = holds_put(bench, index, on, asker, error);
    pthread_mutex_unlock(&bench->change_mutex);
    return status;
}

void bench_page_joined(struct bench *bench, const char *page)
{
    outputs_page_joined(bench->outputs, page);
}

void bench_page_left(struct bench *bench, const char *page)
{
    outputs_page_left(bench->outputs, page);
}

void bench_flush_outputs(struct bench *bench)
{
    outputs_flush(bench->outputs);
}
