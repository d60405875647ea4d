/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A connection to the store's SQLite file, with what every connection of ours
 * needs set; statements in one line; errors in our form.
 */
#ifndef WAKEDRAW_STORE_DATABASE_H
#define WAKEDRAW_STORE_DATABASE_H

#include "base/error.h"

#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>

struct database {
    sqlite3 *connection;
    char path[600];
};

/* Synchronous FULL, foreign keys, a busy timeout. The writer's makes the file
 * where missing, the reader's is read-only. -1 with the error filled and nothing left open. */
int database_open_writer(struct database *database, const char *directory, struct error *error);
int database_open_reader(struct database *database, const char *directory, struct error *error);
void database_close(struct database *database);

/* The write-ahead log, from now on. */
int database_keep_log(struct database *database, struct error *error);

/* A statement with its values bound. `types` has one letter a value: i (int64_t),
 * d (double; not-a-number is NULL), t (text; NULL is NULL, copied), e (text of
 * which the empty one is NULL), b (const void * and size_t, not copied), n (no
 * argument: NULL). NULL with the error filled. */
sqlite3_stmt *database_query(struct database *database, struct error *error, const char *sql,
                             const char *types, ...);

/* Steps: 1 a row, 0 done, -1 with the error filled. */
int database_step(struct database *database, sqlite3_stmt *statement, struct error *error);

/* Prepares, binds and runs to the end; `number` (may be NULL) gets the first
 * row's first column and is left alone where there is no row. Returns 1 where
 * there was a row, 0 where none, -1 with the error filled. */
int database_run(struct database *database, struct error *error, int64_t *number, const char *sql,
                 const char *types, ...);

/* BEGIN IMMEDIATE; COMMIT, on the disk when it returns 0. A commit that fails
 * is rolled back. */
int database_begin(struct database *database, struct error *error);
int database_commit(struct database *database, struct error *error);
void database_rollback(struct database *database);

/* Fills the error from the connection's last one; returns -1. */
int database_failed(struct database *database, struct error *error);

/* A text column; "" for NULL. Valid until the next step. */
const char *database_text(sqlite3_stmt *statement, int column);

#endif
