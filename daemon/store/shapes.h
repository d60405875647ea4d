/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Rows as the API's items: which column goes under which key, and how.
 */
#ifndef WAKEDRAW_STORE_SHAPES_H
#define WAKEDRAW_STORE_SHAPES_H

#include "store/store_private.h"

/* --- columns; NULL becomes null --- */

typedef json_t *shape_value(sqlite3_stmt *row, int column);

shape_value id_column, text_column, number_column, whole_column, switch_column, json_column;
/* Microseconds as RFC 3339. */
shape_value time_column;
/* A JSON object whose "at_us" becomes "at". */
shape_value stamped_column;
/* [work order, until when in microseconds]: {"work_order", "until", "days_left"}, or
 * null where it has run out. */
shape_value warranty_column;

/* Ends with a key of NULL. */
struct shape {
    const char *key;
    shape_value *value;
};

/* A kind's SELECT in its shape's order, "p" the table it lists, t its module
 * type, u its unit, w its work order. A column behind the shape's is for one
 * item alone. */
struct listing {
    const struct shape *shape;
    const char *select;
};
extern const struct listing listings[]; /* by enum store_kind */

/* A run's, "r", likewise. */
extern const struct shape run_shape[];
extern const char run_select[];

/* -1 with the error naming the row and the key that cannot be read. */
int shape_item(struct database *database, sqlite3_stmt *row, const struct shape *shape,
               json_t **item, struct error *error);

/* The rows of a statement (NULL: failed already), which it finalizes, as an array. */
json_t *shape_rows(struct database *database, sqlite3_stmt *statement, const struct shape *shape,
                   struct error *error);

/* What one item has beside what it has in a list: a unit's work orders and how it
 * was shipped; a work order's notes, meter readings, photos, records and runs; a
 * power-up's moves. */
int details_add(struct store_reader *reader, enum store_kind kind, int64_t id, json_t *item,
                struct error *error);

#endif
