/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/database.h"

#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define FILE_NAME "wakedraw.db"
enum { BUSY_TIMEOUT_MS = 5000 };

int database_failed(struct database *database, struct error *error)
{
    sqlite3 *connection = database->connection;
    int code = connection ? sqlite3_errcode(connection) : SQLITE_NOMEM;
    switch (code & 0xFF) {
    case SQLITE_FULL:
        return error_set(error, EXIT_IO, database->path, 0, NULL, "the disk is full");
    case SQLITE_NOMEM:
        return error_set(error, EXIT_SOFTWARE, database->path, 0, NULL, "memory is out");
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return error_set(error, EXIT_UNAVAILABLE, database->path, 0, NULL,
                         "another program holds the file");
    case SQLITE_NOTADB:
    case SQLITE_CORRUPT:
        return error_set(error, EXIT_BAD_DATA, database->path, 0, "a sound store",
                         "found damage (%s)", sqlite3_errmsg(connection));
    default: {
        int cause = sqlite3_system_errno(connection);
        return error_set(error, EXIT_IO, database->path, 0, NULL,
                         "cannot be read or written: %s%s%s", sqlite3_errmsg(connection),
                         cause ? ", " : "", cause ? strerror(cause) : "");
    }
    }
}

static int bind_one(sqlite3_stmt *statement, int index, char type, va_list *values)
{
    switch (type) {
    case 'i':
        return sqlite3_bind_int64(statement, index, va_arg(*values, int64_t));
    case 'd': {
        double number = va_arg(*values, double);
        return isnan(number) ? sqlite3_bind_null(statement, index)
                             : sqlite3_bind_double(statement, index, number);
    }
    case 't':
    case 'e': {
        const char *text = va_arg(*values, const char *);
        if (!text || (type == 'e' && !text[0]))
            return sqlite3_bind_null(statement, index);
        return sqlite3_bind_text(statement, index, text, -1, SQLITE_TRANSIENT);
    }
    case 'b': {
        const void *bytes = va_arg(*values, const void *);
        size_t count = va_arg(*values, size_t);
        return sqlite3_bind_blob64(statement, index, bytes, count, SQLITE_STATIC);
    }
    default:
        return sqlite3_bind_null(statement, index);
    }
}

static sqlite3_stmt *prepare(struct database *database, struct error *error, const char *sql,
                             const char *types, va_list *values)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database->connection, sql, -1, &statement, NULL);
    for (int i = 0; code == SQLITE_OK && types[i]; i++)
        code = bind_one(statement, i + 1, types[i], values);
    if (code == SQLITE_OK)
        return statement;
    database_failed(database, error);
    sqlite3_finalize(statement);
    return NULL;
}

sqlite3_stmt *database_query(struct database *database, struct error *error, const char *sql,
                             const char *types, ...)
{
    va_list values;
    va_start(values, types);
    sqlite3_stmt *statement = prepare(database, error, sql, types, &values);
    va_end(values);
    return statement;
}

int database_step(struct database *database, sqlite3_stmt *statement, struct error *error)
{
    int code = sqlite3_step(statement);
    if (code == SQLITE_ROW)
        return 1;
    return code == SQLITE_DONE ? 0 : database_failed(database, error);
}

int database_run(struct database *database, struct error *error, int64_t *number, const char *sql,
                 const char *types, ...)
{
    va_list values;
    va_start(values, types);
    sqlite3_stmt *statement = prepare(database, error, sql, types, &values);
    va_end(values);
    if (!statement)
        return -1;
    int rows = 0;
    int status = 0;
    while ((status = database_step(database, statement, error)) == 1) {
        if (rows == 0 && number)
            *number = sqlite3_column_int64(statement, 0);
        rows = 1;
    }
    sqlite3_finalize(statement);
    return status == 0 ? rows : -1;
}

int database_begin(struct database *database, struct error *error)
{
    return database_run(database, error, NULL, "BEGIN IMMEDIATE", "") < 0 ? -1 : 0;
}

void database_rollback(struct database *database)
{
    /* Some failures (a full disk, a broken write) have already rolled back. */
    if (!sqlite3_get_autocommit(database->connection))
        sqlite3_exec(database->connection, "ROLLBACK", NULL, NULL, NULL);
}

int database_commit(struct database *database, struct error *error)
{
    if (database_run(database, error, NULL, "COMMIT", "") >= 0)
        return 0;
    database_rollback(database);
    return -1;
}

static int set_up(struct database *database, struct error *error)
{
    sqlite3_extended_result_codes(database->connection, 1);
    sqlite3_busy_timeout(database->connection, BUSY_TIMEOUT_MS);
    static const char *const for_all[] = {"PRAGMA synchronous = FULL", "PRAGMA foreign_keys = ON",
                                          "PRAGMA trusted_schema = OFF"};
    for (size_t i = 0; i < sizeof for_all / sizeof *for_all; i++)
        if (database_run(database, error, NULL, for_all[i], "") < 0)
            return -1;
    return 0;
}

int database_keep_log(struct database *database, struct error *error)
{
    /* The answer is the mode in force: a file system without shared memory
     * keeps the old one without an error. */
    sqlite3_stmt *statement = database_query(database, error, "PRAGMA journal_mode = WAL", "");
    if (!statement)
        return -1;
    int status = database_step(database, statement, error);
    if (status == 1 && sqlite3_stricmp(database_text(statement, 0), "wal") != 0)
        status = error_set(error, EXIT_IO, database->path, 0, "a local file system",
                           "cannot keep a write-ahead log here");
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}

static int open_with(struct database *database, const char *directory, bool writer,
                     struct error *error)
{
    database->connection = NULL;
    snprintf(database->path, sizeof database->path, "%s/" FILE_NAME, directory);
    struct stat found;
    if (!writer && stat(database->path, &found) != 0)
        return error_set(error, EXIT_NO_INPUT, database->path, 0, NULL, "there is no store");
    int flags = writer ? SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE : SQLITE_OPEN_READONLY;
    int code =
        sqlite3_open_v2(database->path, &database->connection, flags | SQLITE_OPEN_NOMUTEX, NULL);
    if (code == SQLITE_OK && set_up(database, error) == 0)
        return 0;
    if (code != SQLITE_OK)
        database_failed(database, error);
    database_close(database);
    return -1;
}

int database_open_writer(struct database *database, const char *directory, struct error *error)
{
    return open_with(database, directory, true, error);
}

int database_open_reader(struct database *database, const char *directory, struct error *error)
{
    return open_with(database, directory, false, error);
}

void database_close(struct database *database)
{
    sqlite3_close(database->connection);
    database->connection = NULL;
}

const char *database_text(sqlite3_stmt *statement, int column)
{
    const unsigned char *text = sqlite3_column_text(statement, column);
    return text ? (const char *)text : "";
}
