/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/register_finds.h"

#include "base/clock.h"
#include "supply/line_walk.h"
#include "supply/register_scan.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum find_state { FIND_LOOKING, FIND_ASKING, FIND_READING, FIND_DONE, FIND_FAILED };

static const char *const state_names[] = {"looking", "asking", "reading", "done", "failed"};

struct find {
    int64_t id;
    struct find_begin begin;
    pthread_t thread;
    pthread_cond_t changed;
    enum find_state state;
    struct finder *finder;
    struct finder_answer answer; /* of the step that is read */
    char problem[400];
    size_t done, of, registers;
    double touched_s; /* monotonic; when a page last asked */
    double page_gone_s;
    bool ending;
    pthread_mutex_t *mutex; /* of all */
};

struct register_finds {
    pthread_mutex_t mutex;
    struct find *all[FINDS_MOST];
    int64_t last_id;
    double page_gone_s;
};

struct register_finds *register_finds_create(double page_gone_s)
{
    struct register_finds *finds = calloc(1, sizeof *finds);
    if (!finds)
        return NULL;
    finds->page_gone_s = page_gone_s;
    pthread_mutex_init(&finds->mutex, NULL);
    return finds;
}

static bool is_left(const struct find *find)
{
    return find->ending || clock_monotonic_s() > find->touched_s + find->page_gone_s;
}

/* --- the thread --- */

static bool note_progress(void *context, size_t done, size_t of, size_t registers)
{
    struct find *find = context;
    pthread_mutex_lock(find->mutex);
    find->done = done;
    find->of = of;
    find->registers = registers;
    bool go_on = !is_left(find);
    pthread_mutex_unlock(find->mutex);
    return go_on;
}

/* With the mutex held. */
static void set_state(struct find *find, enum find_state state, const struct error *error)
{
    find->state = state;
    if (error)
        error_text(error, find->problem, sizeof find->problem);
    else
        find->problem[0] = '\0';
}

static void ask_next(struct find *find)
{
    struct finder_step step;
    find->state = finder_next(find->finder, &step) ? FIND_ASKING : FIND_DONE;
}

/* Waits for a step to be read; false: it is over. With the mutex held. */
static bool wait_for_step(struct find *find)
{
    while (find->state == FIND_ASKING && !is_left(find)) {
        struct timespec until;
        clock_gettime(CLOCK_REALTIME, &until);
        until.tv_sec++;
        pthread_cond_timedwait(&find->changed, find->mutex, &until);
    }
    return find->state == FIND_READING && !is_left(find);
}

static void lead(struct find *find, struct register_scan *scan, size_t count, uint16_t *words)
{
    pthread_mutex_lock(find->mutex);
    ask_next(find);
    while (wait_for_step(find)) {
        struct error error = {0};
        pthread_mutex_unlock(find->mutex);
        int result = register_scan_read(scan, words, &error);
        pthread_mutex_lock(find->mutex);
        if (result != 0) {
            set_state(find, FIND_FAILED, &error);
            break;
        }
        result = finder_add(find->finder, &find->answer, words, &error);
        set_state(find, FIND_ASKING, result == 0 ? NULL : &error);
        ask_next(find);
    }
    find->registers = count;
    if (find->state != FIND_DONE && find->state != FIND_FAILED) {
        struct error error = {0};
        error_set(&error, EXIT_USAGE, NULL, 0, NULL, "ended: no page asked for it any more");
        set_state(find, FIND_FAILED, &error);
    }
    pthread_mutex_unlock(find->mutex);
}

static void *find_thread(void *context)
{
    struct find *find = context;
    struct error error = {0};
    struct register_scan *scan = register_scan_open(&find->begin.link, &error);
    int count = -1;
    if (scan)
        count =
            register_scan_find(scan, find->begin.from, find->begin.to, note_progress, find, &error);
    uint16_t *words = count > 0 ? malloc(FINDER_LOOKS * (size_t)count * sizeof *words) : NULL;
    pthread_mutex_lock(find->mutex);
    bool ready =
        words && finder_registers(find->finder, register_scan_registers(scan), (size_t)count) == 0;
    if (!ready && count > 0)
        error_set(&error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    else if (!ready && error.status == EXIT_OK)
        error_set(&error, EXIT_USAGE, NULL, 0, NULL, "ended: no page asked for it any more");
    if (!ready)
        set_state(find, FIND_FAILED, &error);
    pthread_mutex_unlock(find->mutex);
    if (ready)
        lead(find, scan, (size_t)count, words);
    free(words);
    register_scan_close(scan); /* the link is free again, whatever the page does */
    return NULL;
}

/* --- from the pages --- */

static void destroy_find(struct find *find)
{
    pthread_cond_destroy(&find->changed);
    finder_destroy(find->finder);
    free(find);
}

/* Not with the mutex held. */
static void join(struct find *find)
{
    pthread_mutex_lock(find->mutex);
    find->ending = true;
    pthread_cond_broadcast(&find->changed);
    pthread_mutex_unlock(find->mutex);
    pthread_join(find->thread, NULL);
    destroy_find(find);
}

/* Those that no page wants any more make room. */
static void drop_left(struct register_finds *finds)
{
    for (int i = 0; i < FINDS_MOST; i++) {
        pthread_mutex_lock(&finds->mutex);
        struct find *find = finds->all[i];
        bool left = find && is_left(find);
        if (left)
            finds->all[i] = NULL;
        pthread_mutex_unlock(&finds->mutex);
        if (left)
            join(find);
    }
}

void register_finds_destroy(struct register_finds *finds)
{
    if (!finds)
        return;
    for (int i = 0; i < FINDS_MOST; i++)
        if (finds->all[i])
            join(finds->all[i]);
    pthread_mutex_destroy(&finds->mutex);
    free(finds);
}

static bool same_place(const struct link_spec *a, const struct link_spec *b)
{
    return strcmp(a->place, b->place) == 0 && a->port == b->port;
}

static struct find *make_find(struct register_finds *finds, const struct find_begin *begin,
                              struct error *error)
{
    struct find *find = calloc(1, sizeof *find);
    if (!find) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        return NULL;
    }
    find->begin = *begin;
    find->mutex = &finds->mutex;
    find->page_gone_s = finds->page_gone_s;
    find->touched_s = clock_monotonic_s();
    pthread_cond_init(&find->changed, NULL);
    find->finder = finder_create(&begin->supply, error);
    if (find->finder)
        return find;
    if (error->status == EXIT_USAGE)
        error->status = EXIT_BAD_DATA;
    destroy_find(find);
    return NULL;
}

/* With the mutex held: a free place, or -1 with the error filled. */
static int find_place(const struct register_finds *finds, const struct link_spec *link,
                      struct error *error)
{
    int place = -1;
    for (int i = FINDS_MOST - 1; i >= 0; i--) {
        const struct find *other = finds->all[i];
        if (!other)
            place = i;
        else if (same_place(&other->begin.link, link) && other->state != FIND_DONE &&
                 other->state != FIND_FAILED)
            return error_set(error, EXIT_USAGE, NULL, 0, NULL,
                             "registers are being found on this link already: end that first");
    }
    if (place < 0)
        error_set(error, EXIT_USAGE, NULL, 0, NULL,
                  "registers are being found on %d links: end one of them first", FINDS_MOST);
    return place;
}

int64_t register_finds_begin(struct register_finds *finds, const struct find_begin *begin,
                             struct error *error)
{
    drop_left(finds);
    struct find *find = make_find(finds, begin, error);
    if (!find)
        return -1;
    int64_t id = -1;
    pthread_mutex_lock(&finds->mutex);
    int place = find_place(finds, &begin->link, error);
    if (place >= 0) {
        find->id = ++finds->last_id;
        if (pthread_create(&find->thread, NULL, find_thread, find) == 0) {
            finds->all[place] = find;
            id = find->id;
        } else {
            error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "no thread to be had");
        }
    }
    pthread_mutex_unlock(&finds->mutex);
    if (id < 0)
        destroy_find(find);
    return id;
}

/* With the mutex held. The page is still there. */
static struct find *touch(struct register_finds *finds, int64_t id)
{
    for (int i = 0; i < FINDS_MOST; i++) {
        struct find *find = finds->all[i];
        if (find && find->id == id) {
            find->touched_s = clock_monotonic_s();
            return find;
        }
    }
    return NULL;
}

static json_t *step_json(const struct find *find)
{
    static const char *const loads[] = {"nothing", "resistor", "joined", "load"};
    struct finder_step step;
    if ((find->state != FIND_ASKING && find->state != FIND_READING) ||
        !finder_next(find->finder, &step))
        return json_null();
    return json_pack("{s:i, s:i, s:s, s:f, s:f, s:b, s:b, s:s}", "number", step.number, "of",
                     step.of, "words", step.words, "set_voltage_V", step.set_voltage_V,
                     "set_limit_A", step.set_limit_A, "output_on", step.output_on, "limited",
                     step.limited, "connected", loads[step.connected]);
}

static json_t *findings_json(const struct find *find)
{
    static const char *const states[] = {"not yet", "found", "none"};
    json_t *list = json_array();
    for (int i = 0; i < FINDER_QUANTITIES; i++) {
        struct finder_finding finding;
        finder_finding(find->finder, i, &finding);
        json_array_append_new(list,
                              json_pack("{s:s, s:s, s:i, s:s}", "quantity", finder_quantity_name(i),
                                        "state", states[finding.state], "registers",
                                        finding.registers, "words", finding.words));
    }
    return list;
}

json_t *register_find_json(struct register_finds *finds, int64_t id)
{
    char text[24];
    char link[400];
    json_t *json = NULL;
    pthread_mutex_lock(&finds->mutex);
    const struct find *find = touch(finds, id);
    if (find) {
        snprintf(text, sizeof text, "%lld", (long long)id);
        json = json_pack("{s:s, s:s, s:s, s:o, s:I, s:I, s:I, s:o, s:o, s:b}", "id", text, "link",
                         line_walk_text(&find->begin.link, link), "state", state_names[find->state],
                         "problem", find->problem[0] ? json_string(find->problem) : json_null(),
                         "looked_at", (json_int_t)find->done, "to_look_at", (json_int_t)find->of,
                         "registers", (json_int_t)find->registers, "step", step_json(find),
                         "findings", findings_json(find), "enough",
                         find->state == FIND_DONE && finder_is_enough(find->finder));
    }
    pthread_mutex_unlock(&finds->mutex);
    return json;
}

static int none(struct error *error)
{
    return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "no such finding of registers here");
}

int register_find_step(struct register_finds *finds, int64_t id, int number,
                       const struct finder_answer *answer, struct error *error)
{
    struct finder_step step;
    int result = 0;
    pthread_mutex_lock(&finds->mutex);
    struct find *find = touch(finds, id);
    bool asked = find && find->state == FIND_ASKING && finder_next(find->finder, &step) &&
                 step.number == number;
    if (!find) {
        result = none(error);
    } else if (!asked) {
        result =
            error_set(error, EXIT_USAGE, NULL, 0, NULL, "step %d is not being asked for", number);
    } else {
        find->answer = *answer;
        set_state(find, FIND_READING, NULL);
        pthread_cond_broadcast(&find->changed);
    }
    pthread_mutex_unlock(&finds->mutex);
    return result;
}

int register_find_back(struct register_finds *finds, int64_t id, struct error *error)
{
    int result = 0;
    pthread_mutex_lock(&finds->mutex);
    struct find *find = touch(finds, id);
    if (!find)
        result = none(error);
    else if (find->state != FIND_ASKING)
        result = error_set(error, EXIT_USAGE, NULL, 0, NULL, "no step is being asked for");
    else
        finder_take_back(find->finder);
    pthread_mutex_unlock(&finds->mutex);
    return result;
}

char *register_find_profile(struct register_finds *finds, int64_t id, char link[400],
                            struct error *error)
{
    char *text = NULL;
    pthread_mutex_lock(&finds->mutex);
    const struct find *find = touch(finds, id);
    if (!find) {
        none(error);
    } else {
        line_walk_text(&find->begin.link, link);
        text = find->state == FIND_DONE ? finder_profile(find->finder, link) : NULL;
        if (!text)
            error_set(error, EXIT_USAGE, NULL, 0, NULL,
                      "the voltage and current readbacks are not both known yet");
    }
    pthread_mutex_unlock(&finds->mutex);
    return text;
}

int register_find_end(struct register_finds *finds, int64_t id)
{
    struct find *find = NULL;
    pthread_mutex_lock(&finds->mutex);
    for (int i = 0; i < FINDS_MOST; i++) {
        if (finds->all[i] && finds->all[i]->id == id) {
            find = finds->all[i];
            finds->all[i] = NULL;
        }
    }
    pthread_mutex_unlock(&finds->mutex);
    if (!find)
        return -1;
    join(find);
    return 0;
}
