/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a record of a work order says: the unit, the complaint, the verdict before
 * and after with both signatures, what each stage drew, what the power-ups support,
 * and what was not tested. Pure; the caller brings what is kept.
 */
#ifndef WAKEDRAW_RECORD_RECORD_CONTENT_H
#define WAKEDRAW_RECORD_RECORD_CONTENT_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* All borrowed. */
struct record_source {
    const char *bench;      /* its name */
    const json_t *shop;     /* {"name", "lines"}; NULL: not said */
    const char *written_at; /* RFC 3339 */
    const char *hand;
    const json_t *corrects;        /* {"number", "why"}; NULL: none */
    const json_t *unit;            /* its item */
    const json_t *work_order;      /* its item with "notes", "meter_readings", "photos" */
    const json_t *power_ups;       /* array, oldest first, each with its signature */
    const json_t *rows;            /* stage_rows_to_json */
    const json_t *together;        /* {"STAGE": unit verdict} */
    const json_t *reference;       /* {"module_type", "version", "units", "power_ups",
                                      "range_only", "claims"}; NULL: none */
    const json_t *bench_check;     /* {"state", "checked_at"}; NULL: not known */
    const json_t *against_shipped; /* {"work_order", "power_up", "changed", "said"}; NULL:
                                      it never left repaired before */
    const char *method;            /* of the rows */
    bool simulated;                /* what it tells of was made up */
};

/* {"form": 1, "bench", "shop", "written_at", "hand", "simulated", "corrects", "unit",
 * "work_order", "before", "after", "stages", "power_ups", "supports", "rows",
 * "method", "reference", "bench_check", "against_shipped", "meter_readings", "notes", "photos",
 * "not_tested", "cautions"}. "before" is the first power-up that was decided, or
 * the first; "after" the last one of the order's last stage that has any; null
 * where there is none. What was struck is left out. NULL: memory is out. */
json_t *record_content(const struct record_source *source);

/* Whether the content may be written: at least one power-up, and the order closed.
 * False with a sentence for the user. */
bool record_may_be_written(const struct record_source *source, const char **why_not);

/* One row a power-up and a row a meter reading, as CSV (RFC 4180) with the line's
 * ends CRLF; malloc'd. NULL: memory is out. */
char *record_to_csv(const json_t *content, size_t *length);

#endif
