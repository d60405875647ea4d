/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is looked after without being asked: pages that are gone, what was on by us
 * before the last end, lines of the log that the disk did not take.
 */
#include "base/clock.h"
#include "base/log.h"
#include "bench/outputs_private.h"
#include "bench/waiting.h"
#include "store/outputs.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double LOOK_EVERY_S = 0.25;
static const double AGAIN_EVERY_S = 1.0;
/* Readings older than this tell nothing of now. */
static const double FRESH_S = 2.0;
/* Where a supply does not say whether its output is on, the voltage does. */
static const double OFF_BELOW_V = 0.4;

/* --- pages --- */

void outputs_page_joined(struct outputs *outputs, const char *page)
{
    pthread_mutex_lock(&outputs->mutex);
    presence_join(&outputs->presence, page);
    pthread_mutex_unlock(&outputs->mutex);
}

void outputs_page_left(struct outputs *outputs, const char *page)
{
    pthread_mutex_lock(&outputs->mutex);
    presence_leave(&outputs->presence, page, clock_monotonic_s());
    pthread_mutex_unlock(&outputs->mutex);
}

void outputs_set_page_gone(struct outputs *outputs, double page_gone_s)
{
    pthread_mutex_lock(&outputs->mutex);
    outputs->page_gone_s = page_gone_s;
    pthread_mutex_unlock(&outputs->mutex);
}

static bool is_held(struct outputs *outputs, int supply)
{
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    bool held = board->supplies[supply].output.held;
    pthread_mutex_unlock(&board->mutex);
    return held;
}

/* With the mutex held. A page that is not known was never there, or long ago. */
static bool page_is_gone(const struct outputs *outputs, const struct hand *hand, double now_s)
{
    double gone_s = presence_gone_s(&outputs->presence, hand->page, now_s);
    double most_s = now_s - hand->from_s;
    return hand->ours && hand->page[0] && outputs->page_gone_s > 0 &&
           (isnan(gone_s) ? most_s : fmin(gone_s, most_s)) >= outputs->page_gone_s;
}

static void look_after_page(struct outputs *outputs, int supply)
{
    struct hand *hand = &outputs->hands[supply];
    bool held = is_held(outputs, supply);
    double now_s = clock_monotonic_s();
    pthread_mutex_lock(&outputs->mutex);
    if (held)
        hand->from_s = now_s;
    bool gone = !held && page_is_gone(outputs, hand, now_s);
    /* Once: an off that is not confirmed is tried again by the polling thread. */
    if (gone)
        hand->page[0] = '\0';
    pthread_mutex_unlock(&outputs->mutex);
    if (!gone)
        return;
    struct output_asker asker = {.who = "wakedraw", .why = "the page that switched it on is gone"};
    struct output_wish wish = {.on = false, .asker = asker, .asked_s = now_s};
    struct error error = {0};
    if (poller_switch(outputs_poller_of(outputs, supply), supply, &wish, &error) != 0)
        log_failure("%s: the page that switched it on is gone, and off is not confirmed: %s",
                    outputs_name_of(outputs, supply), error.found);
}

/* What was ours before the start and is read as off now is ours no longer. */
static void look_after_mark(struct outputs *outputs, int supply)
{
    pthread_mutex_lock(&outputs->mutex);
    bool adopted = outputs->hands[supply].adopted;
    pthread_mutex_unlock(&outputs->mutex);
    if (!adopted)
        return;
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    const struct supply_status *status = &board->supplies[supply];
    const struct reading *last = &status->chain.last;
    bool fresh = clock_monotonic_s() - status->chain.last_received_s < FRESH_S;
    bool off = last->output_on == FLAG_UNKNOWN ? last->voltage_V < OFF_BELOW_V
                                               : last->output_on == FLAG_NO;
    bool over = fresh && off && !status->output.ours && !status->output.off_wanted;
    pthread_mutex_unlock(&board->mutex);
    if (!over)
        return;
    pthread_mutex_lock(&outputs->mutex);
    outputs->hands[supply].adopted = false;
    pthread_mutex_unlock(&outputs->mutex);
    struct output_event event = {.supply = supply};
    output_lines_add(outputs->lines, &event, LINE_OURS_OVER, true);
}

static void *work(void *context)
{
    struct outputs *outputs = context;
    pthread_mutex_lock(&outputs->mutex);
    while (!outputs->stopping) {
        pthread_mutex_unlock(&outputs->mutex);
        for (int i = 0; i < outputs->bench->config->supply_count; i++) {
            look_after_page(outputs, i);
            look_after_mark(outputs, i);
        }
        double now_s = clock_monotonic_s();
        if (now_s >= outputs->again_s) {
            outputs->again_s = now_s + AGAIN_EVERY_S;
            output_lines_again(outputs->lines);
        }
        pthread_mutex_lock(&outputs->mutex);
        if (!outputs->stopping)
            waiting_until(&outputs->changed, &outputs->mutex, now_s + LOOK_EVERY_S);
    }
    pthread_mutex_unlock(&outputs->mutex);
    return NULL;
}

/* --- restart --- */

static void restore_last(struct outputs *outputs, int supply, const char *what,
                         const struct output_mark *line)
{
    if (line->since_us == 0)
        return;
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    struct output_status *status = &board->supplies[supply].output;
    for (int i = OUTPUT_SET; i <= OUTPUT_FOUND_ON; i++)
        if (strcmp(output_what_name((enum output_what)i), what) == 0)
            status->last = (enum output_what)i;
    status->at_us = line->since_us;
    snprintf(status->by.who, sizeof status->by.who, "%s", line->who);
    snprintf(status->by.hand, sizeof status->by.hand, "%s", line->hand);
    snprintf(status->by.why, sizeof status->by.why, "%s", line->why);
    pthread_mutex_unlock(&board->mutex);
}

static int restore_one(struct outputs *outputs, struct store_reader *reader, int supply,
                       struct error *error)
{
    char what[OUTPUT_LINE_WHAT];
    struct output_mark mark;
    if (store_read_last_output(reader, outputs_name_of(outputs, supply), what, &mark, error) != 0)
        return -1;
    restore_last(outputs, supply, what, &mark);
    if (store_read_output_mark(reader, outputs_name_of(outputs, supply), MARK_OURS, &mark, error) !=
        0)
        return -1;
    if (mark.since_us == 0)
        return 0;
    struct output_asker asker = {.who = ""};
    snprintf(asker.who, sizeof asker.who, "%s", mark.who);
    snprintf(asker.hand, sizeof asker.hand, "%s", mark.hand);
    snprintf(asker.why, sizeof asker.why, "%s", mark.why);
    outputs->hands[supply].adopted = true;
    poller_adopt(outputs_poller_of(outputs, supply), supply, &asker);
    return 0;
}

void outputs_restore(struct outputs *outputs)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(outputs->bench->config->data, &error);
    int status = reader ? 0 : -1;
    for (int i = 0; i < outputs->bench->config->supply_count && status == 0; i++)
        status = restore_one(outputs, reader, i, &error);
    store_reader_close(reader);
    char text[1200];
    if (status != 0)
        log_failure("which outputs were on by us is not known: %s",
                    error_text(&error, text, sizeof text));
}

/* --- the thread --- */

int outputs_start(struct outputs *outputs)
{
    if (pthread_create(&outputs->thread, NULL, work, outputs) != 0)
        return -1;
    pthread_setname_np(outputs->thread, "outputs");
    outputs->started = true;
    return 0;
}

void outputs_stop(struct outputs *outputs)
{
    pthread_mutex_lock(&outputs->mutex);
    outputs->stopping = true;
    pthread_cond_broadcast(&outputs->changed);
    pthread_mutex_unlock(&outputs->mutex);
    if (outputs->started)
        pthread_join(outputs->thread, NULL);
    outputs->started = false;
}
