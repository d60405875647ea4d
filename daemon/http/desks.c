/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/desks.h"

#include "store/store.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

struct row {
    struct request *first, *last;
    size_t waiting;
};

struct desks {
    const struct office *office;
    pthread_mutex_t mutex;
    pthread_cond_t changed;
    struct row urgent, ordinary;
    bool ending;
    size_t started;
    pthread_t threads[DESKS];
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

static struct request *take(struct desks *desks, struct row *row)
{
    pthread_mutex_lock(&desks->mutex);
    while (!row->first && !desks->ending)
        pthread_cond_wait(&desks->changed, &desks->mutex);
    struct request *request = row->first;
    if (request) {
        row->first = request->next;
        row->waiting--;
        if (!row->first)
            row->last = NULL;
    }
    pthread_mutex_unlock(&desks->mutex);
    return request;
}

static void work_at(struct desks *desks, struct row *row)
{
    struct desk desk = {.office = desks->office};
    struct request *request;
    while ((request = take(desks, row))) {
        struct call call = {.path = &request->path,
                            .parameters = {request->parameters[0], request->parameters[1]},
                            .body = request->body ? request->body : "",
                            .body_length = request->body_length,
                            .answer = &request->answer};
        request->route->handle(&desk, &call);
        /* From here on the request is the library's thread's again. */
        MHD_resume_connection(request->connection);
    }
    store_reader_close(desk.reader);
}

static void *work_urgent(void *context)
{
    struct desks *desks = context;
    work_at(desks, &desks->urgent);
    return NULL;
}

static void *work(void *context)
{
    struct desks *desks = context;
    work_at(desks, &desks->ordinary);
    return NULL;
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
    pthread_cond_init(&desks->changed, NULL);
    while (desks->started < DESKS) {
        int failed = pthread_create(&desks->threads[desks->started], NULL,
                                    desks->started == 0 ? work_urgent : work, desks);
        if (failed) {
            error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "no thread to be had: %s",
                      strerror(failed));
            desks_end(desks);
            desks_destroy(desks);
            return NULL;
        }
        desks->started++;
    }
    return desks;
}

bool desks_hand_over(struct desks *desks, struct request *request)
{
    struct row *row = request->route->is_urgent ? &desks->urgent : &desks->ordinary;
    pthread_mutex_lock(&desks->mutex);
    bool taken = !desks->ending && row->waiting < DESKS_MOST_WAITING;
    if (taken) {
        MHD_suspend_connection(request->connection);
        append(row, request);
        pthread_cond_broadcast(&desks->changed);
    }
    pthread_mutex_unlock(&desks->mutex);
    return taken;
}

void desks_end(struct desks *desks)
{
    pthread_mutex_lock(&desks->mutex);
    desks->ending = true;
    pthread_cond_broadcast(&desks->changed);
    pthread_mutex_unlock(&desks->mutex);
    while (desks->started > 0)
        pthread_join(desks->threads[--desks->started], NULL);
}

void desks_destroy(struct desks *desks)
{
    if (!desks)
        return;
    pthread_cond_destroy(&desks->changed);
    pthread_mutex_destroy(&desks->mutex);
    free(desks);
}
