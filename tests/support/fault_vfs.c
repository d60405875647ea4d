/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/fault_vfs.h"

#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { MOST_FILES = 16, SECTOR = 512 };

struct change {
    struct change *next;
    sqlite3_int64 offset; /* of a write; or the new size */
    int count;            /* bytes written; -1: a truncation */
    uint8_t bytes[];
};

/* What the disk holds for sure, and what is on its way. */
struct image {
    char path[512];
    uint8_t *synced;
    size_t size;
    bool exists; /* synced at least once */
    struct change *first, **last;
};

struct fault_file {
    sqlite3_file base;
    struct image *image;
    sqlite3_file *real;
};

static sqlite3_vfs *real_vfs;
static sqlite3_vfs layer;
static struct image images[MOST_FILES];
static long calls, fail_at, cut_at;
static enum fault_kind fail_kind;
static bool fail_for_good, has_failed;
static char cut_directory[400];

/* --- what a power cut leaves --- */

static void apply(uint8_t **bytes, size_t *size, sqlite3_int64 offset, const uint8_t *from,
                  int count)
{
    size_t end = (size_t)offset + (count < 0 ? 0 : (size_t)count);
    if (count < 0 && end < *size)
        *size = end;
    if (end > *size) {
        *bytes = realloc(*bytes, end);
        assert_non_null(*bytes);
        memset(*bytes + *size, 0, end - *size);
        *size = end;
    }
    if (count > 0)
        memcpy(*bytes + offset, from, (size_t)count);
}

static void drop_changes(struct image *image)
{
    while (image->first) {
        struct change *next = image->first->next;
        free(image->first);
        image->first = next;
    }
    image->last = &image->first;
}

static struct image *image_of(const char *path)
{
    for (int i = 0; i < MOST_FILES; i++)
        if (strcmp(images[i].path, path) == 0)
            return &images[i];
    for (int i = 0; i < MOST_FILES; i++) {
        if (!images[i].path[0]) {
            snprintf(images[i].path, sizeof images[i].path, "%s", path);
            images[i].last = &images[i].first;
            return &images[i];
        }
    }
    fail_msg("more than %d files", MOST_FILES);
    return NULL;
}

static void note(struct image *image, sqlite3_int64 offset, const void *bytes, int count)
{
    struct change *change = calloc(1, sizeof *change + (count > 0 ? (size_t)count : 0));
    assert_non_null(change);
    change->offset = offset;
    change->count = count;
    if (count > 0)
        memcpy(change->bytes, bytes, (size_t)count);
    *image->last = change;
    image->last = &change->next;
}

static void write_image(const struct image *image, const char *directory)
{
    size_t size = image->size;
    uint8_t *bytes = malloc(size + 1);
    assert_non_null(bytes);
    if (size)
        memcpy(bytes, image->synced, size);
    /* Of what is on its way any part may have arrived, in any order. */
    for (const struct change *change = image->first; change; change = change->next) {
        if (change->count < 0) {
            if (random() % 2)
                apply(&bytes, &size, change->offset, NULL, -1);
            continue;
        }
        for (int from = 0; from < change->count; from += SECTOR) {
            int part = change->count - from < SECTOR ? change->count - from : SECTOR;
            if (random() % 2)
                apply(&bytes, &size, change->offset + from, change->bytes + from, part);
        }
    }
    char path[1000];
    const char *name = strrchr(image->path, '/');
    snprintf(path, sizeof path, "%s%s", directory, name ? name : image->path);
    FILE *stream = fopen(path, "w");
    assert_non_null(stream);
    assert_int_equal(fwrite(bytes, 1, size, stream), size);
    assert_int_equal(fclose(stream), 0);
    free(bytes);
}

void fault_vfs_cut(const char *directory)
{
    for (int i = 0; i < MOST_FILES; i++)
        if (images[i].path[0] && (images[i].exists || (images[i].first && random() % 2)))
            write_image(&images[i], directory);
}

void fault_vfs_forget(void)
{
    for (int i = 0; i < MOST_FILES; i++) {
        drop_changes(&images[i]);
        free(images[i].synced);
        images[i] = (struct image){0};
    }
}

/* --- counting and failing --- */

/* Whether this changing call fails. */
static bool fails(void)
{
    calls++;
    if (calls == cut_at)
        fault_vfs_cut(cut_directory);
    bool now = fail_at > 0 && (calls == fail_at || (fail_for_good && calls > fail_at));
    has_failed |= now;
    return now;
}

static int failure(int broken)
{
    return fail_kind == FAULT_FULL ? SQLITE_FULL : broken;
}

/* --- a file --- */

#define REAL(file) (((struct fault_file *)(file))->real)
#define FORWARD(file, method, ...) (REAL(file)->pMethods->method(REAL(file), __VA_ARGS__))

static int file_close(sqlite3_file *file)
{
    return REAL(file)->pMethods->xClose(REAL(file));
}

static int file_read(sqlite3_file *file, void *bytes, int count, sqlite3_int64 offset)
{
    return FORWARD(file, xRead, bytes, count, offset);
}

static int file_write(sqlite3_file *file, const void *bytes, int count, sqlite3_int64 offset)
{
    struct image *image = ((struct fault_file *)file)->image;
    if (fails()) {
        if (fail_kind == FAULT_FULL && FORWARD(file, xWrite, bytes, count / 2, offset) == SQLITE_OK)
            note(image, offset, bytes, count / 2);
        return failure(SQLITE_IOERR_WRITE);
    }
    note(image, offset, bytes, count);
    return FORWARD(file, xWrite, bytes, count, offset);
}

static int file_truncate(sqlite3_file *file, sqlite3_int64 size)
{
    if (fails())
        return failure(SQLITE_IOERR_TRUNCATE);
    note(((struct fault_file *)file)->image, size, NULL, -1);
    return FORWARD(file, xTruncate, size);
}

static int file_sync(sqlite3_file *file, int flags)
{
    struct image *image = ((struct fault_file *)file)->image;
    if (fails())
        return failure(SQLITE_IOERR_FSYNC);
    for (const struct change *change = image->first; change; change = change->next)
        apply(&image->synced, &image->size, change->offset, change->bytes, change->count);
    image->exists = true;
    drop_changes(image);
    return FORWARD(file, xSync, flags);
}

static int file_size(sqlite3_file *file, sqlite3_int64 *size)
{
    return FORWARD(file, xFileSize, size);
}

static int file_lock(sqlite3_file *file, int level)
{
    return FORWARD(file, xLock, level);
}

static int file_unlock(sqlite3_file *file, int level)
{
    return FORWARD(file, xUnlock, level);
}

static int file_reserved(sqlite3_file *file, int *result)
{
    return FORWARD(file, xCheckReservedLock, result);
}

static int file_control(sqlite3_file *file, int operation, void *argument)
{
    return FORWARD(file, xFileControl, operation, argument);
}

static int file_sector(sqlite3_file *file)
{
    return REAL(file)->pMethods->xSectorSize(REAL(file));
}

/* Promises nothing about what one write survives. */
static int file_characteristics(sqlite3_file *file)
{
    (void)file;
    return 0;
}

static int file_shm_map(sqlite3_file *file, int page, int size, int extend, void volatile **at)
{
    return FORWARD(file, xShmMap, page, size, extend, at);
}

static int file_shm_lock(sqlite3_file *file, int offset, int count, int flags)
{
    return FORWARD(file, xShmLock, offset, count, flags);
}

static void file_shm_barrier(sqlite3_file *file)
{
    REAL(file)->pMethods->xShmBarrier(REAL(file));
}

static int file_shm_unmap(sqlite3_file *file, int delete)
{
    return FORWARD(file, xShmUnmap, delete);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2,
    .xClose = file_close,
    .xRead = file_read,
    .xWrite = file_write,
    .xTruncate = file_truncate,
    .xSync = file_sync,
    .xFileSize = file_size,
    .xLock = file_lock,
    .xUnlock = file_unlock,
    .xCheckReservedLock = file_reserved,
    .xFileControl = file_control,
    .xSectorSize = file_sector,
    .xDeviceCharacteristics = file_characteristics,
    .xShmMap = file_shm_map,
    .xShmLock = file_shm_lock,
    .xShmBarrier = file_shm_barrier,
    .xShmUnmap = file_shm_unmap,
};

/* --- the file system --- */

static int vfs_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *file, int flags,
                    int *out_flags)
{
    (void)vfs;
    struct fault_file *opened = (struct fault_file *)file;
    file->pMethods = NULL;
    if ((flags & SQLITE_OPEN_CREATE) && fails())
        return failure(SQLITE_CANTOPEN);
    opened->real = (sqlite3_file *)(opened + 1);
    opened->image = image_of(name ? name : "temporary");
    int code = real_vfs->xOpen(real_vfs, name, opened->real, flags, out_flags);
    if (opened->real->pMethods)
        file->pMethods = &methods;
    return code;
}

static int vfs_delete(sqlite3_vfs *vfs, const char *name, int sync_directory)
{
    (void)vfs;
    if (fails())
        return failure(SQLITE_IOERR_DELETE);
    struct image *image = image_of(name);
    drop_changes(image);
    image->size = 0;
    image->exists = false;
    return real_vfs->xDelete(real_vfs, name, sync_directory);
}

void fault_vfs_install(void)
{
    real_vfs = sqlite3_vfs_find(NULL);
    assert_non_null(real_vfs);
    layer = *real_vfs;
    layer.pNext = NULL;
    layer.zName = "fault";
    layer.szOsFile = (int)sizeof(struct fault_file) + real_vfs->szOsFile;
    layer.xOpen = vfs_open;
    layer.xDelete = vfs_delete;
    assert_int_equal(sqlite3_vfs_register(&layer, 1), SQLITE_OK);
}

void fault_vfs_fail(long nth, enum fault_kind kind, bool for_good)
{
    calls = 0;
    fail_at = nth;
    fail_kind = kind;
    fail_for_good = for_good;
    has_failed = false;
}

void fault_vfs_cut_at(long nth, const char *directory)
{
    calls = 0;
    cut_at = nth;
    snprintf(cut_directory, sizeof cut_directory, "%s", directory ? directory : "");
}

long fault_vfs_calls(void)
{
    return calls;
}

bool fault_vfs_has_failed(void)
{
    return has_failed;
}
