/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/store.h"

#include "base/clock.h"
#include "store/schema.h"
#include "store/store_private.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

int store_begin_transaction(struct store *store, struct error *error)
{
    return store->in_group ? 0 : database_begin(&store->database, error);
}

int store_end_transaction(struct store *store, int status, struct error *error)
{
    if (store->in_group)
        return status < 0 ? -1 : 0;
    int64_t bytes = store->pending_bytes;
    int64_t readings = store->pending_readings;
    store->pending_bytes = 0;
    store->pending_readings = 0;
    if (status < 0) {
        database_rollback(&store->database);
        return -1;
    }
    if (database_commit(&store->database, error) != 0)
        return -1;
    pthread_mutex_lock(&store->mutex);
    store->last_commit_us = clock_wall_us();
    store->packed_bytes += bytes;
    store->packed_readings += readings;
    pthread_mutex_unlock(&store->mutex);
    return 0;
}

int store_group_begin(struct store *store, struct error *error)
{
    if (database_begin(&store->database, error) != 0)
        return -1;
    store->in_group = true;
    return 0;
}

int store_group_end(struct store *store, bool keep, struct error *error)
{
    store->in_group = false;
    return store_end_transaction(store, keep ? 0 : -1, error);
}

/* A new file's name is on the disk only once its directory is. */
static int sync_directory(const char *directory, struct error *error)
{
    int descriptor = open(directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int failed = descriptor < 0 || fsync(descriptor) != 0;
    if (failed)
        error_set(error, EXIT_IO, directory, 0, NULL, "cannot be synced: %s", strerror(errno));
    if (descriptor >= 0)
        close(descriptor);
    return failed ? -1 : 0;
}

static int count_packed(struct store *store, struct error *error)
{
    struct database *database = &store->database;
    const char *bytes = "SELECT coalesce(sum(length(packed)), 0) FROM piece WHERE whole = 1";
    const char *readings = "SELECT coalesce(sum(readings), 0) FROM piece WHERE whole = 1";
    return database_run(database, error, &store->packed_bytes, bytes, "") < 0 ||
                   database_run(database, error, &store->packed_readings, readings, "") < 0
               ? -1
               : 0;
}

static int open_all(struct store *store, const char *directory, struct error *error)
{
    if (directory_make(directory, error) != 0)
        return -1;
    snprintf(store->directory, sizeof store->directory, "%s", directory);
    store->lock = directory_lock(directory, error);
    if (store->lock < 0 || database_open_writer(&store->database, directory, error) != 0 ||
        schema_quick_check(&store->database, error) != 0 ||
        schema_bring_up(&store->database, &store_schema, error) != 0 ||
        sync_directory(directory, error) != 0 || count_packed(store, error) != 0)
        return -1;
    return power_ups_recover(store, error) == 0 ? runs_recover(store, error) : -1;
}

struct store *store_open(const char *directory, struct error *error)
{
    struct store *store = calloc(1, sizeof *store);
    if (!store) {
        error_set(error, EXIT_SOFTWARE, directory, 0, NULL, "memory is out");
        return NULL;
    }
    store->lock = -1;
    pthread_mutex_init(&store->mutex, NULL);
    if (open_all(store, directory, error) == 0)
        return store;
    store_close(store);
    return NULL;
}

void store_close(struct store *store)
{
    if (!store)
        return;
    database_close(&store->database);
    if (store->lock >= 0)
        close(store->lock);
    pthread_mutex_destroy(&store->mutex);
    free(store);
}

static json_int_t file_bytes(const char *path, const char *suffix)
{
    char name[640];
    snprintf(name, sizeof name, "%s%s", path, suffix);
    struct stat found;
    return stat(name, &found) == 0 ? (json_int_t)found.st_size : 0;
}

json_t *store_health(struct store *store)
{
    pthread_mutex_lock(&store->mutex);
    int64_t last_commit_us = store->last_commit_us;
    int64_t bytes = store->packed_bytes;
    int64_t readings = store->packed_readings;
    pthread_mutex_unlock(&store->mutex);
    struct statvfs disk;
    bool known = statvfs(store->directory, &disk) == 0;
    char at[25];
    return json_pack(
        "{s:s, s:i, s:s, s:I, s:o, s:I, s:o, s:o}", "directory", store->directory, "schema_version",
        store_schema.count, "quick_check", "ok", "size_bytes",
        file_bytes(store->database.path, "") + file_bytes(store->database.path, "-wal"),
        "free_bytes",
        known ? json_integer((json_int_t)disk.f_bavail * (json_int_t)disk.f_frsize) : json_null(),
        "packed_readings", (json_int_t)readings, "bytes_per_reading",
        readings ? json_real((double)bytes / (double)readings) : json_null(), "last_commit_at",
        last_commit_us ? json_string(clock_rfc3339(last_commit_us, at)) : json_null());
}

char *json_to_text(const json_t *value, struct error *error)
{
    char *text = json_dumps(value, JSON_COMPACT);
    if (!text)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return text;
}
