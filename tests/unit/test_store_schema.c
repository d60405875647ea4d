/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Migrations, refusals, damage, and reading while another thread writes.
 */
#include "store/schema.h"
#include "store/store.h"

#include "support/scratch.h"

#include <math.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char directory[256];
static struct error error;

static int set_up(void **state)
{
    (void)state;
    scratch_make(directory, sizeof directory);
    error = (struct error){0};
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    scratch_remove(directory);
    return 0;
}

static const char *const three[] = {
    "CREATE TABLE one (a INTEGER) STRICT; INSERT INTO one VALUES (7)",
    "ALTER TABLE one ADD COLUMN b INTEGER; UPDATE one SET b = a + 1",
    "CREATE TABLE two (c INTEGER) STRICT; INSERT INTO two SELECT b + 1 FROM one",
};

static int bring_up(int count, const char *const *migrations, int64_t *version)
{
    struct database database;
    const struct schema schema = {migrations, count};
    assert_int_equal(database_open_writer(&database, directory, &error), 0);
    int status = schema_bring_up(&database, &schema, &error);
    assert_true(database_run(&database, NULL, version, "PRAGMA user_version", "") == 1);
    database_close(&database);
    return status;
}

static int64_t number(const char *sql)
{
    struct database database;
    int64_t found = -1;
    assert_int_equal(database_open_reader(&database, directory, &error), 0);
    assert_true(database_run(&database, &error, &found, sql, "") >= 0);
    database_close(&database);
    return found;
}

static void test_from_every_version_to_the_newest(void **state)
{
    (void)state;
    for (int from = 0; from <= 3; from++) {
        int64_t version = -1;
        if (from > 0) {
            assert_int_equal(bring_up(from, three, &version), 0);
            assert_int_equal(version, from);
        }
        assert_int_equal(bring_up(3, three, &version), 0);
        assert_int_equal(version, 3);
        assert_int_equal(number("SELECT c FROM two"), 9);
        assert_int_equal(number("SELECT count(*) FROM two"), 1);
        assert_int_equal(number("PRAGMA application_id"), SCHEMA_APPLICATION_ID);
        tear_down(NULL);
        set_up(NULL);
    }
}

/* A migration that fails half-way leaves the version before, untouched. */
static void test_a_failed_migration_leaves_all_as_it_was(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "CREATE TABLE one (a INTEGER) STRICT; INSERT INTO one VALUES (7)",
        "ALTER TABLE one ADD COLUMN b INTEGER; UPDATE one SET b = a + 1",
        "CREATE TABLE two (c INTEGER) STRICT; INSERT INTO two VALUES ('no number')",
    };
    int64_t version = -1;
    assert_int_equal(bring_up(1, wrong, &version), 0);
    assert_int_equal(bring_up(3, wrong, &version), -1);
    assert_int_not_equal(error.status, EXIT_OK);
    assert_int_equal(version, 1);
    assert_int_equal(number("SELECT count(*) FROM pragma_table_info('one')"), 1);
    assert_int_equal(number("SELECT count(*) FROM sqlite_schema WHERE name = 'two'"), 0);
    assert_int_equal(bring_up(3, three, &version), 0);
    assert_int_equal(version, 3);
}

static void test_a_newer_file_is_left_untouched(void **state)
{
    (void)state;
    int64_t version = -1;
    assert_int_equal(bring_up(3, three, &version), 0);
    assert_int_equal(bring_up(2, three, &version), -1);
    assert_string_equal(error.found, "found a wakedraw store of schema version 3");
    assert_non_null(strstr(error.expected, "version 2 at most"));
    assert_int_equal(version, 3);
}

static void test_another_programs_file_keeps_its_journal(void **state)
{
    (void)state;
    char path[300];
    snprintf(path, sizeof path, "%s/wakedraw.db", directory);
    sqlite3 *connection = NULL;
    assert_int_equal(sqlite3_open(path, &connection), SQLITE_OK);
    assert_int_equal(sqlite3_exec(connection, "CREATE TABLE theirs (a)", NULL, NULL, NULL),
                     SQLITE_OK);
    assert_int_equal(sqlite3_close(connection), SQLITE_OK);
    assert_null(store_open(directory, &error));
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_non_null(strstr(error.found, "another program"));
    struct database database;
    assert_int_equal(database_open_reader(&database, directory, &error), 0);
    sqlite3_stmt *statement = database_query(&database, &error, "PRAGMA journal_mode", "");
    assert_int_equal(database_step(&database, statement, &error), 1);
    assert_string_equal(database_text(statement, 0), "delete");
    sqlite3_finalize(statement);
    database_close(&database);
}

/* --- a store of version 1, left by the wakedraw of that time --- */

static char *read_file(const char *path)
{
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    assert_int_equal(fseek(file, 0, SEEK_END), 0);
    long length = ftell(file);
    assert_true(length > 0);
    rewind(file);
    char *text = calloc(1, (size_t)length + 1);
    assert_non_null(text);
    assert_int_equal(fread(text, 1, (size_t)length, file), length);
    assert_int_equal(fclose(file), 0);
    return text;
}

static void make_version_1(void)
{
    char path[300];
    snprintf(path, sizeof path, "%s/wakedraw.db", directory);
    sqlite3 *connection = NULL;
    assert_int_equal(sqlite3_open(path, &connection), SQLITE_OK);
    char *sql = read_file("tests/support/store_version_1.sql");
    char *message = NULL;
    if (sqlite3_exec(connection, sql, NULL, NULL, &message) != SQLITE_OK)
        fail_msg("%s", message);
    free(sql);
    assert_int_equal(sqlite3_close(connection), SQLITE_OK);
}

/* Every row of a table's columns of version 1, as one text. */
static char *rows_of(const char *table, const char *columns)
{
    char sql[600];
    snprintf(sql, sizeof sql,
             "SELECT group_concat(line, char(10)) FROM (SELECT json_array(%s) AS line FROM %s"
             " ORDER BY 1)",
             columns, table);
    struct database database;
    assert_int_equal(database_open_reader(&database, directory, &error), 0);
    sqlite3_stmt *statement = database_query(&database, &error, sql, "");
    assert_non_null(statement);
    assert_int_equal(database_step(&database, statement, &error), 1);
    char *text = strdup(database_text(statement, 0));
    assert_non_null(text);
    sqlite3_finalize(statement);
    database_close(&database);
    return text;
}

static const char *const tables_of_version_1[][2] = {
    {"module_type", "id, name, nominal_voltage_V, current_limit_A, watch_s, feeds, cautions,"
                    " created_us"},
    {"reference", "id, module_type_id, version, revision, set_up, units, power_ups, range_only,"
                  " text, created_us"},
    {"unit", "id, serial, module_type_id, revision, set_up, created_us"},
    {"work_order", "id, unit_id, complaint, created_us, closed_us"},
    {"power_up", "id, supply, profile, started_us, state, module_type_id, unit_id, work_order_id,"
                 " stage, verdict, reference_version, signature, onset_s, readings, last_s,"
                 " ended_s, ended_why"},
    {"piece", "id, power_up_id, after_watch, whole, readings, hex(packed)"},
    {"on_bench", "supply, module_type_id, unit_id, work_order_id, stage, changed_us"},
};
enum { TABLES_OF_VERSION_1 = sizeof tables_of_version_1 / sizeof *tables_of_version_1 };

static void test_a_store_of_version_1_keeps_its_rows(void **state)
{
    (void)state;
    make_version_1();
    assert_int_equal(number("PRAGMA user_version"), 1);
    char *before[TABLES_OF_VERSION_1];
    for (int i = 0; i < TABLES_OF_VERSION_1; i++) {
        before[i] = rows_of(tables_of_version_1[i][0], tables_of_version_1[i][1]);
        assert_true(before[i][0] != '\0');
    }
    struct database database;
    assert_int_equal(database_open_writer(&database, directory, &error), 0);
    if (schema_bring_up(&database, &store_schema, &error) != 0)
        fail_msg("%s", error.found);
    database_close(&database);
    assert_int_equal(number("PRAGMA user_version"), store_schema.count);
    for (int i = 0; i < TABLES_OF_VERSION_1; i++) {
        char *after = rows_of(tables_of_version_1[i][0], tables_of_version_1[i][1]);
        assert_string_equal(after, before[i]);
        free(after);
        free(before[i]);
    }
    assert_int_equal(number("SELECT count(*) FROM pragma_foreign_key_check"), 0);
    assert_int_equal(number("SELECT json_array_length(stages) FROM work_order"), 6);
    assert_int_equal(number("SELECT count(*) FROM work_order WHERE stage = 'intake'"), 1);
    assert_int_equal(number("SELECT count(*) FROM power_up WHERE verdict_word = 'bad'"), 1);
}

/* And what was open is dealt with as ever, and read in the shapes of today. */
static void test_a_store_of_version_1_is_opened(void **state)
{
    (void)state;
    make_version_1();
    struct store *store = store_open(directory, &error);
    if (!store)
        fail_msg("%s", error.found);
    struct store_reader *reader = store_reader_open(directory, &error);
    assert_non_null(reader);
    json_t *item = store_get(reader, STORE_POWER_UPS, 1, true, &error);
    assert_string_equal(json_string_value(json_object_get(item, "unit")), "HL-0101");
    assert_string_equal(json_string_value(json_object_get(item, "work_order")), "1");
    assert_int_equal(json_array_size(json_object_get(json_object_get(item, "trace"), "time_s")), 6);
    json_decref(item);
    item = store_get(reader, STORE_POWER_UPS, 2, false, &error);
    assert_string_equal(json_string_value(json_object_get(item, "state")), "incomplete");
    json_decref(item);
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.unit, "HL-0101");
    store_reader_close(reader);
    store_close(store);
}

static void make_readings(struct reading *readings, size_t count, double from_s)
{
    for (size_t i = 0; i < count; i++) {
        readings[i] = (struct reading){
            .time_s = from_s + 0.01 * (double)i, .voltage_V = 24, .current_A = 0.5, .valid = true};
        reading_quantise(&readings[i]);
    }
}

static const struct on_bench nothing_said;

/* One damaged piece costs its power-up's trace, told as such, and nothing else:
 * the finish is kept, the others are read. */
static void test_a_damaged_piece(void **state)
{
    (void)state;
    struct store *store = store_open(directory, &error);
    assert_non_null(store);
    struct reading readings[10];
    int64_t ids[2];
    for (int i = 0; i < 2; i++) {
        make_readings(readings, 10, 0);
        assert_int_equal(store_begin_power_up(store, "left", 0, &nothing_said, "scpi", readings, 10,
                                              &ids[i], &error),
                         0);
        make_readings(readings, 10, 1);
        assert_int_equal(store_append_readings(store, ids[i], false, readings, 10, &error), 0);
    }
    store_close(store);
    struct database database;
    assert_int_equal(database_open_writer(&database, directory, &error), 0);
    assert_int_equal(
        database_run(&database, &error, NULL,
                     "UPDATE piece SET packed = CAST(substr(packed, 1, length(packed) - 1)"
                     " || x'00' AS BLOB) WHERE id = 1",
                     ""),
        0);
    database_close(&database);
    store = store_open(directory, &error);
    assert_non_null(store);
    struct store_reader *reader = store_reader_open(directory, &error);
    assert_non_null(reader);
    json_t *item = store_get(reader, STORE_POWER_UPS, ids[0], false, &error);
    assert_string_equal(json_string_value(json_object_get(item, "state")), "incomplete");
    json_decref(item);
    assert_null(store_get(reader, STORE_POWER_UPS, ids[0], true, &error));
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_non_null(strstr(error.found, "damaged"));
    item = store_get(reader, STORE_POWER_UPS, ids[1], true, &error);
    assert_int_equal(json_array_size(json_object_get(json_object_get(item, "trace"), "time_s")),
                     20);
    json_decref(item);
    store_reader_close(reader);
    store_close(store);
    /* The piece was not thrown away. */
    assert_int_equal(number("SELECT count(*) FROM piece WHERE power_up_id = 1"), 2);
    assert_int_equal(number("SELECT count(*) FROM piece WHERE power_up_id = 2"), 1);
}

/* Damage in the file itself is found at start. */
static void test_quick_check_at_start(void **state)
{
    (void)state;
    struct store *store = store_open(directory, &error);
    assert_non_null(store);
    store_close(store);
    char path[300];
    snprintf(path, sizeof path, "%s/wakedraw.db", directory);
    FILE *file = fopen(path, "r+");
    assert_non_null(file);
    assert_int_equal(fseek(file, 4096, SEEK_SET), 0);
    char garbage[4096];
    memset(garbage, 0x5A, sizeof garbage);
    assert_int_equal(fwrite(garbage, 1, sizeof garbage, file), sizeof garbage);
    assert_int_equal(fclose(file), 0);
    assert_null(store_open(directory, &error));
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_non_null(strstr(error.found, "found damage"));
}

/* --- a reader beside the writer --- */

static atomic_bool writing;
static atomic_int looks;

static void *keep_reading(void *context)
{
    atomic_int *failed = context;
    struct error found = {0};
    struct store_reader *reader = store_reader_open(directory, &found);
    int wrong = !reader;
    while (writing && !wrong) {
        json_t *list =
            store_list(reader, STORE_POWER_UPS, &(struct store_filter){.limit = 3}, &found);
        const json_t *newest = json_array_get(json_object_get(list, "items"), 0);
        if (!list)
            wrong = 1;
        if (newest) {
            int64_t id = strtoll(json_string_value(json_object_get(newest, "id")), NULL, 10);
            json_t *item = store_get(reader, STORE_POWER_UPS, id, true, &found);
            const json_t *time_s = json_object_get(json_object_get(item, "trace"), "time_s");
            /* Row and trace of one moment. */
            if ((json_int_t)json_array_size(time_s) !=
                json_integer_value(json_object_get(item, "readings")))
                wrong = 2;
            json_decref(item);
        }
        json_decref(list);
        looks++;
    }
    store_reader_close(reader);
    *failed = wrong;
    return NULL;
}

static void test_reading_while_writing(void **state)
{
    (void)state;
    struct store *store = store_open(directory, &error);
    assert_non_null(store);
    writing = true;
    looks = 0;
    pthread_t threads[2];
    atomic_int failed[2] = {0, 0};
    for (int i = 0; i < 2; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, keep_reading, &failed[i]), 0);
    struct reading readings[20];
    for (int up = 0; up < 20 || looks < 50; up++) {
        int64_t id = 0;
        make_readings(readings, 20, 0);
        assert_int_equal(store_begin_power_up(store, "left", 0, &nothing_said, "scpi", readings, 20,
                                              &id, &error),
                         0);
        for (int i = 1; i < 20; i++) {
            make_readings(readings, 20, i);
            assert_int_equal(store_append_readings(store, id, false, readings, 20, &error), 0);
        }
        assert_int_equal(
            store_finish_power_up(store, id, STATE_COMPLETE, NULL, 0, NULL, NULL, 0, &error), 0);
        json_t *health = store_health(store);
        assert_non_null(health);
        json_decref(health);
    }
    writing = false;
    for (int i = 0; i < 2; i++) {
        assert_int_equal(pthread_join(threads[i], NULL), 0);
        assert_int_equal(failed[i], 0);
    }
    store_close(store);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_from_every_version_to_the_newest, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_failed_migration_leaves_all_as_it_was, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_newer_file_is_left_untouched, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_another_programs_file_keeps_its_journal, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_store_of_version_1_keeps_its_rows, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_store_of_version_1_is_opened, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_damaged_piece, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_quick_check_at_start, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_reading_while_writing, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
