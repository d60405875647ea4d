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

    /* The repair: settings, work orders with their stages, notes, meter readings
     * and photos, moves, known-goods, records, runs, bench checks. */
    "CREATE TABLE setting ("
    "  name TEXT PRIMARY KEY,"
    "  value TEXT NOT NULL," /* JSON */
    "  changed_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE TABLE run ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  supply TEXT NOT NULL,"
    "  unit_id INTEGER REFERENCES unit (id),"
    "  work_order_id INTEGER REFERENCES work_order (id),"
    "  stage TEXT,"
    "  tag TEXT CHECK (tag IN ('heat', 'cold')),"
    "  wanted INTEGER NOT NULL CHECK (wanted > 0),"
    "  off_s REAL NOT NULL,"
    "  on_s REAL," /* NULL: the watch */
    "  stop_on TEXT NOT NULL CHECK (stop_on IN ('bad', 'never')),"
    "  switched TEXT NOT NULL CHECK (switched IN ('wakedraw', 'hand')),"
    "  started_us INTEGER NOT NULL,"
    "  ended_us INTEGER,"
    "  ended_why TEXT"
    ") STRICT;"
    "CREATE INDEX run_by_work_order ON run (work_order_id);"
    "CREATE INDEX run_going_on ON run (supply) WHERE ended_us IS NULL;"
    "ALTER TABLE work_order ADD COLUMN stages TEXT NOT NULL DEFAULT" /* JSON */
    "  '[\"intake\",\"heat check\",\"after rework\",\"after cleaning\",\"after "
    "coating\",\"final\"]';"
    "ALTER TABLE work_order ADD COLUMN stage TEXT;" /* where it is now */
    "UPDATE work_order SET stage = (SELECT stage FROM power_up"
    "  WHERE work_order_id = work_order.id AND stage IS NOT NULL ORDER BY id DESC LIMIT 1);"
    "ALTER TABLE work_order ADD COLUMN customer_reference TEXT;"
    "ALTER TABLE work_order ADD COLUMN condition TEXT;"
    "ALTER TABLE work_order ADD COLUMN cells TEXT;"
    "ALTER TABLE work_order ADD COLUMN found_cause TEXT;"
    "ALTER TABLE work_order ADD COLUMN parts TEXT;"
    "ALTER TABLE work_order ADD COLUMN hand TEXT;"
    "ALTER TABLE work_order ADD COLUMN outcome TEXT CHECK"
    "  (outcome IN ('repaired', 'nothing found', 'not repairable', 'returned as it was'));"
    "ALTER TABLE work_order ADD COLUMN warranty_days INTEGER CHECK (warranty_days >= 0);"
    "CREATE INDEX work_order_open ON work_order (unit_id) WHERE closed_us IS NULL;"
    "CREATE TABLE note ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  work_order_id INTEGER NOT NULL REFERENCES work_order (id),"
    "  stage TEXT,"
    "  text TEXT NOT NULL CHECK (text <> ''),"
    "  hand TEXT,"
    "  at_us INTEGER NOT NULL,"
    "  struck_us INTEGER,"
    "  struck_why TEXT"
    ") STRICT;"
    "CREATE INDEX note_by_work_order ON note (work_order_id);"
    "CREATE TABLE meter_reading ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  work_order_id INTEGER NOT NULL REFERENCES work_order (id),"
    "  stage TEXT,"
    "  before_power INTEGER NOT NULL DEFAULT 0 CHECK (before_power IN (0, 1)),"
    "  what TEXT NOT NULL CHECK (what <> ''),"
    "  value REAL NOT NULL,"
    "  unit TEXT NOT NULL," /* of the value */
    "  hand TEXT,"
    "  at_us INTEGER NOT NULL,"
    "  struck_us INTEGER,"
    "  struck_why TEXT"
    ") STRICT;"
    "CREATE INDEX meter_reading_by_work_order ON meter_reading (work_order_id);"
    "CREATE TABLE photo ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  work_order_id INTEGER NOT NULL REFERENCES work_order (id),"
    "  stage TEXT,"
    "  media_type TEXT NOT NULL"
    "    CHECK (media_type IN ('image/jpeg', 'image/png', 'image/webp')),"
    "  sha256 TEXT NOT NULL,"
    "  bytes BLOB NOT NULL,"
    "  at_us INTEGER NOT NULL,"
    "  struck_us INTEGER,"
    "  struck_why TEXT"
    ") STRICT;"
    "CREATE INDEX photo_by_work_order ON photo (work_order_id);"
    "ALTER TABLE power_up ADD COLUMN tag TEXT CHECK (tag IN ('heat', 'cold'));"
    "ALTER TABLE power_up ADD COLUMN run_id INTEGER REFERENCES run (id);"
    "ALTER TABLE power_up ADD COLUMN bench_state TEXT;" /* JSON */
    "ALTER TABLE power_up ADD COLUMN revision TEXT;"    /* the unit's, when it began */
    "ALTER TABLE power_up ADD COLUMN set_up TEXT;"
    "CREATE INDEX power_up_by_run ON power_up (run_id);"
    "CREATE INDEX power_up_by_start ON power_up (started_us);"
    "ALTER TABLE power_up ADD COLUMN verdict_word TEXT" /* the verdict's, to find it by */
    "  CHECK (verdict_word IN ('good', 'bad', 'unsure'));"
    "UPDATE power_up SET verdict_word = json_extract(verdict, '$.verdict')"
    "  WHERE json_extract(verdict, '$.verdict') IN ('good', 'bad', 'unsure');"
    "CREATE INDEX power_up_by_verdict ON power_up (verdict_word);"
    "CREATE TABLE power_up_move ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  power_up_id INTEGER NOT NULL REFERENCES power_up (id),"
    "  from_unit_id INTEGER REFERENCES unit (id),"
    "  from_work_order_id INTEGER REFERENCES work_order (id),"
    "  from_stage TEXT,"
    "  to_unit_id INTEGER REFERENCES unit (id),"
    "  to_work_order_id INTEGER REFERENCES work_order (id),"
    "  to_stage TEXT,"
    "  why TEXT NOT NULL CHECK (why <> ''),"
    "  hand TEXT,"
    "  at_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE INDEX power_up_move_by_power_up ON power_up_move (power_up_id);"
    "CREATE TABLE known_good ("
    "  power_up_id INTEGER PRIMARY KEY REFERENCES power_up (id),"
    "  why TEXT NOT NULL CHECK (why <> ''),"
    "  hand TEXT,"
    "  at_us INTEGER NOT NULL,"
    "  withdrawn_us INTEGER"
    ") STRICT;"
    "CREATE TABLE record ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  work_order_id INTEGER NOT NULL REFERENCES work_order (id),"
    "  corrects_id INTEGER REFERENCES record (id),"
    "  number INTEGER NOT NULL UNIQUE CHECK (number > 0)," /* in the chain */
    "  content TEXT NOT NULL,"                             /* canonical JSON */
    "  sha256 TEXT NOT NULL,"
    "  previous_sha256 TEXT NOT NULL,"
    "  at_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE INDEX record_by_work_order ON record (work_order_id);"
    "CREATE TABLE bench_check ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  supply TEXT NOT NULL,"
    "  content TEXT NOT NULL," /* JSON */
    "  passed INTEGER NOT NULL CHECK (passed IN (0, 1)),"
    "  hand TEXT,"
    "  at_us INTEGER NOT NULL"
    ") STRICT;"
    "CREATE INDEX bench_check_by_supply ON bench_check (supply);"
    "ALTER TABLE on_bench ADD COLUMN tag TEXT CHECK (tag IN ('heat', 'cold'));"
    "ALTER TABLE on_bench ADD COLUMN confirmed_us INTEGER;",

    /* Hands on outputs: the log of what was done to them, what is on by us or held,
     * and how gently a type is switched on. */
    "CREATE TABLE output_line ("
    "  id INTEGER PRIMARY KEY AUTOINCREMENT,"
    "  supply TEXT NOT NULL,"
    "  at_us INTEGER NOT NULL,"
    "  what TEXT NOT NULL CHECK (what <> ''),"
    "  who TEXT,"
    "  hand TEXT,"
    "  why TEXT,"
    "  voltage_V REAL,"
    "  limit_A REAL,"
    "  problem TEXT"
    ") STRICT;"
    "CREATE INDEX output_line_by_supply ON output_line (supply);"
    "CREATE TABLE output_mark ("
    "  supply TEXT NOT NULL,"
    "  kind TEXT NOT NULL CHECK (kind IN ('ours', 'hold')),"
    "  since_us INTEGER NOT NULL,"
    "  who TEXT,"
    "  hand TEXT,"
    "  why TEXT,"
    "  unit TEXT,"
    "  PRIMARY KEY (supply, kind)"
    ") STRICT;"
    "ALTER TABLE module_type ADD COLUMN look_voltage_V REAL CHECK (look_voltage_V > 0);"
    "ALTER TABLE module_type ADD COLUMN look_limit_A REAL CHECK (look_limit_A > 0);"
    "ALTER TABLE module_type ADD COLUMN limit_longest_s REAL CHECK (limit_longest_s > 0);",
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
