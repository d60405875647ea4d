/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/stage_rows.h"

#include "reference/reference_model.h"
#include "reference/spread.h"
#include "trend/stage_change.h"

#include <math.h>
#include <stdlib.h>

#define CONFIDENCE 0.95
#define FAMILY_ERROR 0.05

const char stage_rows_method[] =
    "Means over a stage's power-ups with 95 % limits; a change is more than the unit's own "
    "spread where Student's t with the pooled power-up spread stays below 5 % among all "
    "changes shown (Holm 1979).";

enum { FINAL_DRAW, LEVEL, DURATION };
static const char *const row_names[] = {"final_draw_A", "level_A", "duration_s"};

struct row {
    int of;
    size_t phase;
    double unit; /* what a ratio of 1 stands for; 1 for the final draw */
    double low, high;
    struct own_spread known;
    struct stage_mean *means;
    struct stage_change *changes;
    size_t change_count;
};

struct table {
    const struct reference *reference;
    const struct accuracy *accuracy;
    const char *const *stages;
    size_t stage_count;
    const struct stage_power_up *power_ups;
    size_t count;
    double *values; /* count; room for one row's */
    struct stage_values *by_stage;
    struct row rows[1 + 2 * REFERENCE_MOST_PHASES];
    size_t row_count;
};

/* Natural logarithm, and the standard uncertainty of the measurement. */
static double value_of(const struct row *row, const struct stage_power_up *power_up, double *u)
{
    *u = 0;
    if (row->of == FINAL_DRAW)
        return power_up->final_draw_A > 0 ? log(power_up->final_draw_A) : (double)NAN;
    if (row->phase >= power_up->told.phase_count)
        return NAN;
    if (row->of == DURATION) {
        *u = power_up->told.log_duration_u[row->phase];
        return power_up->told.log_duration[row->phase];
    }
    const struct measured_level *level = &power_up->told.levels[row->phase];
    *u = level->u;
    return level->usable ? level->log_ratio : (double)NAN;
}

static double step_share(const struct table *table, const struct row *row, double value)
{
    double resolution_A = table->accuracy    ? table->accuracy->current_resolution_A
                          : table->reference ? table->reference->accuracy.current_resolution_A
                                             : 0;
    return row->of == FINAL_DRAW ? resolution_A / sqrt(12) / exp(value) : 0;
}

/* The row's values, stage by stage. Returns how many. */
static size_t gather(struct table *table, struct row *row)
{
    size_t taken = 0;
    double u2 = 0;
    for (size_t s = 0; s < table->stage_count; s++) {
        table->by_stage[s] = (struct stage_values){&table->values[taken], 0};
        for (size_t i = 0; i < table->count; i++) {
            double u;
            if (table->power_ups[i].stage != s)
                continue;
            double value = value_of(row, &table->power_ups[i], &u);
            if (isnan(value))
                continue;
            u = fmax(isnan(u) ? 0 : u, step_share(table, row, value));
            u2 += u * u;
            table->values[taken++] = value;
            table->by_stage[s].count++;
        }
    }
    row->known.stays = taken > 0 ? sqrt(u2 / (double)taken) : 0;
    return taken;
}

static struct own_spread spread_of(const struct spread *common, const struct spread *own)
{
    double first2 = common ? spread_within2(common) : 0;
    double second2 = spread_within2(own);
    double first_df = common ? common->within_df + SPREAD_PRIOR_DF : 1;
    double second_df = own->within_df + SPREAD_PRIOR_DF;
    double both2 = first2 + second2;
    /* Welch and Satterthwaite. */
    double df = both2 * both2 / (first2 * first2 / first_df + second2 * second2 / second_df);
    return (struct own_spread){.sd = sqrt(both2), .df = both2 > 0 ? df : 0};
}

static int add_row(struct table *table, const struct row *wanted)
{
    struct row row = *wanted;
    if (gather(table, &row) == 0)
        return 0;
    row.means = calloc(table->stage_count, sizeof *row.means);
    row.changes = calloc(table->stage_count, sizeof *row.changes);
    if (!row.means || !row.changes) {
        free(row.means);
        free(row.changes);
        return -1;
    }
    row.change_count = stage_changes_find(table->by_stage, table->stage_count, &row.known,
                                          CONFIDENCE, row.means, row.changes);
    table->rows[table->row_count++] = row;
    return 0;
}

static int add_phase_rows(struct table *table)
{
    const struct reference *reference = table->reference;
    for (size_t p = 0; p < reference->phase_count; p++) {
        const struct reference_phase *phase = &reference->phases[p];
        struct row level = {.of = LEVEL,
                            .phase = p,
                            .unit = phase->level_A,
                            .low = phase->low_A,
                            .high = phase->high_A,
                            .known = spread_of(&reference->level_common, &reference->level_own)};
        struct row duration = {.of = DURATION,
                               .phase = p,
                               .unit = phase->duration_s,
                               .low = phase->duration_low_s,
                               .high = phase->duration_high_s,
                               .known = spread_of(NULL, &reference->duration)};
        if (add_row(table, &level) != 0)
            return -1;
        if (p + 1 < reference->phase_count && add_row(table, &duration) != 0)
            return -1;
    }
    return 0;
}

static int add_rows(struct table *table)
{
    const struct reference *reference = table->reference;
    struct row final = {.of = FINAL_DRAW, .unit = 1, .low = NAN, .high = NAN};
    if (reference) {
        final.low = reference->final_low_A;
        final.high = reference->final_high_A;
        final.known = spread_of(&reference->level_common, &reference->level_own);
    }
    if (add_row(table, &final) != 0)
        return -1;
    return reference ? add_phase_rows(table) : 0;
}

static int settle(struct table *table)
{
    size_t count = 0;
    for (size_t r = 0; r < table->row_count; r++)
        count += table->rows[r].change_count;
    struct stage_change **all = malloc((count + 1) * sizeof(struct stage_change *));
    if (!all)
        return -1;
    size_t at = 0;
    for (size_t r = 0; r < table->row_count; r++)
        for (size_t c = 0; c < table->rows[r].change_count; c++)
            all[at++] = &table->rows[r].changes[c];
    stage_changes_settle(all, count, FAMILY_ERROR);
    free(all);
    return 0;
}

/* --- as JSON --- */

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *points_json(const struct table *table, const struct row *row)
{
    json_t *points = json_array();
    for (size_t s = 0; s < table->stage_count; s++) {
        const struct stage_mean *mean = &row->means[s];
        if (mean->count == 0)
            continue;
        json_array_append_new(points, json_pack("{s:s, s:I, s:o, s:o, s:o}", "stage",
                                                table->stages[s], "n", (json_int_t)mean->count,
                                                "mean", number(row->unit * exp(mean->mean)), "low",
                                                number(row->unit * exp(mean->low)), "high",
                                                number(row->unit * exp(mean->high))));
    }
    return points;
}

static json_t *changes_json(const struct table *table, const struct row *row)
{
    json_t *changes = json_array();
    for (size_t c = 0; c < row->change_count; c++) {
        const struct stage_change *change = &row->changes[c];
        json_array_append_new(
            changes,
            json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:b}", "from", table->stages[change->from],
                      "to", table->stages[change->to], "difference_share",
                      number(expm1(change->difference)), "low_share", number(expm1(change->low)),
                      "high_share", number(expm1(change->high)), "p", number(change->p_family),
                      "more_than_own_spread", change->is_more));
    }
    return changes;
}

static json_t *row_json(const struct table *table, const struct row *row)
{
    json_t *limits = isfinite(row->low) && isfinite(row->high)
                         ? json_pack("{s:f, s:f}", "low", row->low, "high", row->high)
                         : json_null();
    json_t *phase = row->of == FINAL_DRAW ? json_null() : json_integer((json_int_t)row->phase);
    return json_pack("{s:s, s:o, s:o, s:o, s:o}", "of", row_names[row->of], "phase", phase,
                     "limits", limits, "points", points_json(table, row), "changes",
                     changes_json(table, row));
}

static json_t *rows_json(const struct table *table)
{
    json_t *rows = json_array();
    for (size_t r = 0; r < table->row_count; r++)
        if (json_array_append_new(rows, row_json(table, &table->rows[r])) != 0) {
            json_decref(rows);
            return NULL;
        }
    return rows;
}

json_t *stage_rows_to_json(const struct reference *reference, const struct accuracy *accuracy,
                           const char *const *stages, size_t stage_count,
                           const struct stage_power_up *power_ups, size_t count)
{
    struct table table = {.reference = reference,
                          .accuracy = accuracy,
                          .stages = stages,
                          .stage_count = stage_count,
                          .power_ups = power_ups,
                          .count = count};
    table.values = malloc((count + 1) * sizeof *table.values);
    table.by_stage = calloc(stage_count + 1, sizeof *table.by_stage);
    json_t *rows = NULL;
    if (table.values && table.by_stage && add_rows(&table) == 0 && settle(&table) == 0)
        rows = rows_json(&table);
    for (size_t r = 0; r < table.row_count; r++) {
        free(table.rows[r].means);
        free(table.rows[r].changes);
    }
    free(table.values);
    free(table.by_stage);
    return rows;
}
