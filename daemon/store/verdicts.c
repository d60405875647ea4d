/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Keeping verdicts, and keeping what is under heat from being good.
 */
#include "store/json_fields.h"
#include "store/store_private.h"
#include "verdict/under_heat.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *word_of(const json_t *verdict)
{
    const char *word = json_text(verdict, "verdict");
    bool known =
        strcmp(word, "good") == 0 || strcmp(word, "bad") == 0 || strcmp(word, "unsure") == 0;
    return known ? word : "";
}

double verdict_onset_s(const json_t *object)
{
    const json_t *onset = json_object_get(object, "onset_s");
    return json_is_number(onset) ? json_number_value(onset) : (double)NAN;
}

static int write_verdict(struct store *store, int64_t id, const json_t *verdict,
                         int64_t reference_version, struct error *error)
{
    char *text = json_to_text(verdict, error);
    if (!text)
        return -1;
    int status = database_run(&store->database, error, NULL,
                              "UPDATE power_up SET verdict = ?, verdict_word = ?,"
                              " reference_version = nullif(?, 0),"
                              " onset_s = coalesce(?, onset_s) WHERE id = ?",
                              "teidi", text, word_of(verdict), reference_version,
                              verdict_onset_s(verdict), id);
    free(text);
    return status < 0 ? -1 : 0;
}

int power_up_keep_heat(struct store *store, int64_t id, struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&store->database, error,
                       "SELECT verdict, reference_version, tag, stage FROM power_up WHERE id = ?"
                       " AND verdict_word = 'good'",
                       "i", id);
    if (!statement)
        return -1;
    json_t *before = NULL;
    json_t *after = NULL;
    int64_t version = 0;
    int status = database_step(&store->database, statement, error);
    if (status == 1 && is_under_heat(database_text(statement, 2), database_text(statement, 3))) {
        before = json_loads(database_text(statement, 0), 0, NULL);
        after = before ? under_heat_json(before) : NULL;
        version = sqlite3_column_int64(statement, 1);
        if (!after)
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    }
    sqlite3_finalize(statement);
    if (status >= 0 && after)
        status = write_verdict(store, id, after, version, error);
    json_decref(before);
    json_decref(after);
    return status < 0 ? -1 : 0;
}

int verdict_put(struct store *store, int64_t id, const json_t *verdict, int reference_version,
                struct error *error)
{
    if (!verdict || json_is_null(verdict))
        return 0;
    if (write_verdict(store, id, verdict, reference_version, error) != 0)
        return -1;
    return power_up_keep_heat(store, id, error);
}
