/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/schema.h"

#include <stdint.h>
#include <stdio.h>

/* Microseconds are wall time since 1970 UTC; seconds are on the power-up's own
 * axis. A power-up's readings are its pieces, those of the watch first, then
 * the on-time log's, each by id. */
static const char *const migrations[] = {
    "CREATE TABLE module_type ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  name TEXT NOT NULL UNIQUE CHECK (name <> ''),"
    "  nominal_voltage_V REAL,"
    "  current_limit_A REAL,"
    "  watch_s REAL,"
    "  feeds TEXT NOT NULL DEFAULT '[]',"    /* JSON */
    "  cautions TEXT NOT NULL DEFAULT '[]'," /* JSON */
    "  created_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE TABLE reference ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  module_type_id INTEGER NOT NULL REFERENCES module_type (id),"
    "  version INTEGER NOT NULL CHECK (version > 0),"
    "  revision TEXT,"
    "  set_up TEXT,"
    "  units INTEGER NOT NULL,"
    "  power_ups INTEGER NOT NULL,"
    "  range_only INTEGER NOT NULL CHECK (range_only IN (0, 1)),"
    "  text TEXT NOT NULL,"
    "  created_us INTEGER NOT NULL,"
    "  UNIQUE (module_type_id, version)"
    ") STRICT;"
    "CREATE TABLE unit ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  serial TEXT NOT NULL UNIQUE CHECK (serial <> ''),"
    "  module_type_id INTEGER REFERENCES module_type (id),"
    "  revision TEXT,"
    "  set_up TEXT,"
    "  created_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE INDEX unit_by_type ON unit (module_type_id);"
    "CREATE TABLE work_order ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  unit_id INTEGER NOT NULL REFERENCES unit (id),"
    "  complaint TEXT,"
    "  created_us INTEGER NOT NULL,"
    "  closed_us INTEGER"
    ") STRICT;"
    "CREATE INDEX work_order_by_unit ON work_order (unit_id);"
    "CREATE TABLE power_up ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  supply TEXT NOT NULL,"
    "  profile TEXT,"
    "  started_us INTEGER NOT NULL,"
    "  state TEXT NOT NULL CHECK (state IN ('open', 'complete', 'incomplete')),"
    "  module_type_id INTEGER REFERENCES module_type (id),"
    "  unit_id INTEGER REFERENCES unit (id),"
    "  work_order_id INTEGER REFERENCES work_order (id),"
    "  stage TEXT,"
    "  verdict TEXT," /* JSON */
    "  reference_version INTEGER,"
    "  signature TEXT," /* JSON */
    "  onset_s REAL,"
    "  readings INTEGER NOT NULL DEFAULT 0,"
    "  last_s REAL," /* of its last reading */
    "  ended_s REAL,"
    "  ended_why TEXT"
    ") STRICT;"
    "CREATE INDEX power_up_by_type ON power_up (module_type_id);"
    "CREATE INDEX power_up_by_unit ON power_up (unit_id);"
    "CREATE INDEX power_up_by_work_order ON power_up (work_order_id);"
    "CREATE INDEX power_up_by_supply ON power_up (supply);"
    "CREATE INDEX power_up_going_on ON power_up (id) WHERE ended_s IS NULL;"
    "CREATE TABLE piece ("
    "  id INTEGER PRIMARY KEY,"
    "  power_up_id INTEGER NOT NULL REFERENCES power_up (id),"
    "  after_watch INTEGER NOT NULL CHECK (after_watch IN (0, 1)),"
    "  whole INTEGER NOT NULL CHECK (whole IN (0, 1))," /* packed at the end */
    "  readings INTEGER NOT NULL,"
    "  packed BLOB NOT NULL"
    ") STRICT;"
    "CREATE INDEX piece_by_power_up ON piece (power_up_id, after_watch, id);"
    "CREATE TABLE on_bench ("
    "  supply TEXT PRIMARY KEY,"
    "  module_type_id INTEGER REFERENCES module_type (id),"
    "  unit_id INTEGER REFERENCES unit (id),"
    "  work_order_id INTEGER REFERENCES work_order (id),"
    "  stage TEXT,"
    "  changed_us INTEGER NOT NULL"
    ") STRICT;",
};

const struct schema store_schema = {migrations, sizeof migrations / sizeof *migrations};

struct head {
    int64_t application_id, version, objects;
};

static int read_head(struct database *database, struct head *head, struct error *error)
{
    if (database_run(database, error, &head->application_id, "PRAGMA application_id", "") < 0 ||
        database_run(database, error, &head->version, "PRAGMA user_version", "") < 0 ||
        database_run(database, error, &head->objects, "SELECT count(*) FROM sqlite_schema", "") < 0)
        return -1;
    return 0;
}

static int check_head(struct database *database, const struct schema *schema,
                      const struct head *head, struct error *error)
{
    if (head->application_id != SCHEMA_APPLICATION_ID)
        return error_set(error, EXIT_BAD_DATA, database->path, 0, "a wakedraw store",
                         "found a database of another program (application id %lld)",
                         (long long)head->application_id);
    if (head->version > schema->count || head->version < 0) {
        char expected[80];
        snprintf(expected, sizeof expected, "version %d at most: a newer wakedraw made it",
                 schema->count);
        return error_set(error, EXIT_BAD_DATA, database->path, 0, expected,
                         "found a wakedraw store of schema version %lld", (long long)head->version);
    }
    return 0;
}

static int migrate(struct database *database, const struct schema *schema, int64_t version,
                   struct error *error)
{
    for (int64_t i = version; i < schema->count; i++)
        if (sqlite3_exec(database->connection, schema->migrations[i], NULL, NULL, NULL) !=
            SQLITE_OK)
            return database_failed(database, error);
    char sql[120];
    snprintf(sql, sizeof sql, "PRAGMA application_id = %d; PRAGMA user_version = %d",
             SCHEMA_APPLICATION_ID, schema->count);
    if (sqlite3_exec(database->connection, sql, NULL, NULL, NULL) != SQLITE_OK)
        return database_failed(database, error);
    return 0;
}

int schema_bring_up(struct database *database, const struct schema *schema, struct error *error)
{
    struct head head = {0};
    if (read_head(database, &head, error) != 0)
        return -1;
    bool is_new = head.application_id == 0 && head.version == 0 && head.objects == 0;
    if (!is_new && check_head(database, schema, &head, error) != 0)
        return -1;
    /* Only now: another program's file keeps its journal. */
    if (database_keep_log(database, error) != 0)
        return -1;
    if (head.version == schema->count)
        return 0;
    if (database_begin(database, error) != 0)
        return -1;
    if (migrate(database, schema, head.version, error) != 0) {
        database_rollback(database);
        return -1;
    }
    return database_commit(database, error);
}

int schema_check(struct database *database, const struct schema *schema, struct error *error)
{
    struct head head = {0};
    if (read_head(database, &head, error) != 0 || check_head(database, schema, &head, error) != 0)
        return -1;
    if (head.version < schema->count) {
        char expected[80];
        snprintf(expected, sizeof expected, "version %d: wakedraw serve brings it up to date",
                 schema->count);
        return error_set(error, EXIT_BAD_DATA, database->path, 0, expected,
                         "found a wakedraw store of schema version %lld", (long long)head.version);
    }
    return 0;
}

int schema_quick_check(struct database *database, struct error *error)
{
    sqlite3_stmt *statement = database_query(database, error, "PRAGMA quick_check(1)", "");
    if (!statement)
        return -1;
    int status = database_step(database, statement, error);
    if (status == 1 && sqlite3_stricmp(database_text(statement, 0), "ok") != 0)
        status = error_set(error, EXIT_BAD_DATA, database->path, 0,
                           "a sound store: put a copy that is sound in its place",
                           "found damage (%s)", database_text(statement, 0));
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}
