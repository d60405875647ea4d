/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/desks.h"

#include "base/clock.h"
#include "store/store.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

enum row_kind { ROW_ORDINARY, ROW_ON, ROW_OFF, ROWS };

struct place {
    struct desks *desks;
    struct row *row;
    const struct request *at; /* what is being answered here */
    pthread_t thread;
};

struct row {
    bool one_a_supply; /* of one supply at a time */
    struct request *first, *last;
    size_t waiting;
    pthread_cond_t changed;
    struct place *places;
    size_t count, started;
};

struct desks {
    const struct office *office;
    pthread_mutex_t mutex;
    struct row rows[ROWS];
    bool ending;
};

static void append(struct row *row, struct request *request)
{
    request->next = NULL;
    if (row->last)
        row->last->next = request;
    else
        row->first = request;
    row->last = request;
    row->waiting++;
}

static bool may_go(const struct row *row, const struct request *request)
{
    for (size_t i = 0; row->one_a_supply && i < row->count; i++) {
        const struct request *at = row->places[i].at;
        if (at && strcmp(at->parameters[0], request->parameters[0]) == 0)
            return false;
    }
    return true;
}

/* The first that may go, out of the row; NULL: none. */
static struct request *draw(struct row *row)
{
    struct request *before = NULL;
    struct request *request = row->first;
    while (request && !may_go(row, request)) {
        before = request;
        request = request->next;
    }
    if (!request)
        return NULL;
    if (before)
        before->next = request->next;
    else
        row->first = request->next;
    if (row->last == request)
        row->last = before;
    row->waiting--;
    return request;
}

/* NULL: ended, and nothing waits. */
static struct request *take(struct place *place)
{
    struct desks *desks = place->desks;
    struct row *row = place->row;
    pthread_mutex_lock(&desks->mutex);
    struct request *request = draw(row);
    while (!request && !(desks->ending && !row->first)) {
        pthread_cond_wait(&row->changed, &desks->mutex);
        request = draw(row);
    }
    place->at = request;
    /* At the end, who waits for the last to be taken. */
    if (desks->ending)
        pthread_cond_broadcast(&row->changed);
    pthread_mutex_unlock(&desks->mutex);
    return request;
}

/* It is answered: another of its supply may go now. */
static void finish(struct place *place)
{
    pthread_mutex_lock(&place->desks->mutex);
    place->at = NULL;
    if (place->row->one_a_supply && place->row->first)
        pthread_cond_broadcast(&place->row->changed);
    pthread_mutex_unlock(&place->desks->mutex);
}

static void *work(void *context)
{
    struct place *place = context;
    struct desk desk = {.office = place->desks->office};
    struct request *request;
    while ((request = take(place))) {
        struct call call = {.path = &request->path,
                            .parameters = {request->parameters[0], request->parameters[1]},
                            .body = request->body ? request->body : "",
                            .body_length = request->body_length,
                            .asked_s = request->asked_s,
                            .answer = &request->answer};
        request->route->handle(&desk, &call);
        finish(place);
        /* From here on the request is the library's thread's again. */
        MHD_resume_connection(request->connection);
    }
    store_reader_close(desk.reader);
    return NULL;
}

static int start_row(struct desks *desks, struct row *row, size_t count, struct error *error)
{
    row->places = calloc(count, sizeof *row->places);
    if (!row->places)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    row->count = count;
    for (; row->started < count; row->started++) {
        struct place *place = &row->places[row->started];
        place->desks = desks;
        place->row = row;
        int failed = pthread_create(&place->thread, NULL, work, place);
        if (failed)
            return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "no thread to be had: %s",
                             strerror(failed));
    }
    return 0;
}

struct desks *desks_create(const struct office *office, struct error *error)
{
    struct desks *desks = calloc(1, sizeof *desks);
    if (!desks) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        return NULL;
    }
    desks->office = office;
    pthread_mutex_init(&desks->mutex, NULL);
    size_t supplies = office->config->supply_count > 0 ? (size_t)office->config->supply_count : 1;
    const size_t counts[ROWS] = {
        [ROW_ORDINARY] = DESKS_ORDINARY, [ROW_ON] = supplies, [ROW_OFF] = supplies};
    int status = 0;
    for (int i = 0; i < ROWS; i++) {
        pthread_cond_init(&desks->rows[i].changed, NULL);
        desks->rows[i].one_a_supply = i != ROW_ORDINARY;
    }
    for (int i = 0; i < ROWS && status == 0; i++)
        status = start_row(desks, &desks->rows[i], counts[i], error);
    if (status != 0) {
        desks_end(desks);
        desks_destroy(desks);
        return NULL;
    }
    return desks;
}

static enum row_kind row_of(const struct request *request)
{
    if (!request->route->is_switching)
        return ROW_ORDINARY;
    return output_asks_on(request->body ? request->body : "", request->body_length) ? ROW_ON
                                                                                    : ROW_OFF;
}

bool desks_hand_over(struct desks *desks, struct request *request)
{
    struct row *row = &desks->rows[row_of(request)];
    pthread_mutex_lock(&desks->mutex);
    bool taken = !desks->ending && row->waiting < DESKS_MOST_WAITING;
    if (taken) {
        request->asked_s = clock_monotonic_s();
        MHD_suspend_connection(request->connection);
        append(row, request);
        /* Whoever is free may be kept from it by its supply; who is free later looks again. */
        pthread_cond_signal(&row->changed);
    }
    pthread_mutex_unlock(&desks->mutex);
    return taken;
}

void desks_end(struct desks *desks)
{
    pthread_mutex_lock(&desks->mutex);
    desks->ending = true;
    for (int i = 0; i < ROWS; i++)
        pthread_cond_broadcast(&desks->rows[i].changed);
    pthread_mutex_unlock(&desks->mutex);
    for (int i = 0; i < ROWS; i++)
        while (desks->rows[i].started > 0)
            pthread_join(desks->rows[i].places[--desks->rows[i].started].thread, NULL);
}

void desks_destroy(struct desks *desks)
{
    if (!desks)
        return;
    for (int i = 0; i < ROWS; i++) {
        pthread_cond_destroy(&desks->rows[i].changed);
        free(desks->rows[i].places);
    }
    pthread_mutex_destroy(&desks->mutex);
    free(desks);
}
