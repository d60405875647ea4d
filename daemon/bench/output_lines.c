/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/output_lines.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/waiting.h"
#include "store/outputs.h"

#include <stdlib.h>
#include <string.h>

enum { MOST_LINES = 4096, MOST_TAKEN = 64 };

struct entry {
    struct output_event event;
    int64_t at_us;
    enum output_ours ours;
    bool marks_only;
    struct entry *next;
};

struct output_lines {
    struct writer_job job; /* the first: the writer hands it back; one at a time */
    struct writer *writer;
    struct status_board *board;
    pthread_mutex_t mutex;
    pthread_cond_t written;
    struct entry *first, **last;
    size_t count;
    size_t taken; /* of the first, by the job */
    bool writing, failed;
    uint64_t added, kept;
    struct error error; /* the job's */
};

struct output_lines *output_lines_create(struct writer *writer, struct status_board *board)
{
    struct output_lines *lines = calloc(1, sizeof *lines);
    if (!lines)
        return NULL;
    lines->writer = writer;
    lines->board = board;
    lines->last = &lines->first;
    pthread_mutex_init(&lines->mutex, NULL);
    waiting_init(&lines->written);
    return lines;
}

/* With the mutex held, or where no other thread is left. */
static void drop_first(struct output_lines *lines)
{
    struct entry *entry = lines->first;
    lines->first = entry->next;
    if (!lines->first)
        lines->last = &lines->first;
    lines->count--;
    free(entry);
}

void output_lines_destroy(struct output_lines *lines)
{
    if (!lines)
        return;
    if (lines->count > 0)
        log_failure("%zu lines of the log of outputs are not kept", lines->count);
    while (lines->first)
        drop_first(lines);
    pthread_cond_destroy(&lines->written);
    pthread_mutex_destroy(&lines->mutex);
    free(lines);
}

static struct output_line line_of(const struct config *config, const struct entry *entry)
{
    const struct output_event *event = &entry->event;
    static const char nothing[] = "";
    return (struct output_line){
        .at_us = entry->at_us,
        .supply = config->supplies[event->supply].name,
        .what = entry->marks_only ? nothing : output_what_name(event->what),
        .who = event->asker.who,
        .hand = event->asker.hand,
        .why = event->asker.why,
        .problem = event->problem,
        .voltage_V = event->voltage_V,
        .limit_A = event->limit_A,
        .ours = entry->ours == LINE_OURS_BEGINS ? OURS_BEGINS
                : entry->ours == LINE_OURS_OVER ? OURS_OVER
                                                : OURS_STAYS,
    };
}

static bool run(struct writer_job *base, struct store *store, bool grouped)
{
    struct output_lines *lines = (struct output_lines *)base;
    struct output_line taken[MOST_TAKEN];
    size_t count = 0;
    (void)grouped;
    /* Entries stay where they are until they are written: only their end moves. */
    pthread_mutex_lock(&lines->mutex);
    for (const struct entry *entry = lines->first; entry && count < MOST_TAKEN; entry = entry->next)
        taken[count++] = line_of(lines->board->config, entry);
    lines->taken = count;
    pthread_mutex_unlock(&lines->mutex);
    lines->error = (struct error){0};
    return store_put_output_lines(store, taken, count, &lines->error) == 0;
}

static void tell_failure(struct output_lines *lines)
{
    char text[1200];
    error_text(&lines->error, text, sizeof text);
    if (!lines->failed)
        log_failure("the log of outputs is not kept, and tried again: %s", text);
    lines->failed = true;
    status_note_write(lines->board, text);
}

static void settle(struct writer_job *base, bool done)
{
    struct output_lines *lines = (struct output_lines *)base;
    if (!done) {
        tell_failure(lines);
    } else {
        lines->failed = false;
        status_note_write(lines->board, NULL);
    }
    pthread_mutex_lock(&lines->mutex);
    for (size_t i = 0; done && i < lines->taken; i++)
        drop_first(lines);
    lines->kept += done ? lines->taken : 0;
    lines->writing = false;
    pthread_cond_broadcast(&lines->written);
    pthread_mutex_unlock(&lines->mutex);
    if (done)
        output_lines_again(lines);
}

void output_lines_again(struct output_lines *lines)
{
    pthread_mutex_lock(&lines->mutex);
    bool due = lines->first && !lines->writing;
    lines->writing = lines->writing || due;
    pthread_mutex_unlock(&lines->mutex);
    if (!due)
        return;
    lines->job = (struct writer_job){.run = run, .settle = settle};
    if (writer_push(lines->writer, &lines->job))
        return;
    pthread_mutex_lock(&lines->mutex);
    lines->writing = false;
    pthread_mutex_unlock(&lines->mutex);
}

void output_lines_add(struct output_lines *lines, const struct output_event *event,
                      enum output_ours ours, bool marks_only)
{
    struct entry *entry = malloc(sizeof *entry);
    if (entry)
        *entry = (struct entry){
            .event = *event, .at_us = clock_wall_us(), .ours = ours, .marks_only = marks_only};
    pthread_mutex_lock(&lines->mutex);
    bool has_room = entry && lines->count < MOST_LINES;
    if (has_room) {
        *lines->last = entry;
        lines->last = &entry->next;
        lines->count++;
        lines->added++;
    }
    pthread_mutex_unlock(&lines->mutex);
    if (!has_room) {
        log_failure("a line of the log of outputs is lost: too many wait for the disk");
        free(entry);
    }
    output_lines_again(lines);
}

bool output_lines_wait(struct output_lines *lines, double deadline_s)
{
    pthread_mutex_lock(&lines->mutex);
    uint64_t wanted = lines->added;
    bool in_time = true;
    while (lines->kept < wanted && in_time)
        in_time = waiting_until(&lines->written, &lines->mutex, deadline_s);
    bool kept = lines->kept >= wanted;
    pthread_mutex_unlock(&lines->mutex);
    return kept;
}
