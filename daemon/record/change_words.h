/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What changed in one unit between two times, in words: from the rows of
 * stage_rows.h where they are of two stages. Pure.
 */
#ifndef WAKEDRAW_RECORD_CHANGE_WORDS_H
#define WAKEDRAW_RECORD_CHANGE_WORDS_H

#include <jansson.h>

enum changed { CHANGED_NO, CHANGED_YES, CHANGED_NOT_TOLD };

/* Whether anything is more than the unit's own spread. Not told: nothing was measured
 * both times, or no spread is known to compare with. */
enum changed changed_by(const json_t *rows);

/* Sentences: each change that is more than the unit's own spread, with whether the
 * newer value is within the type's limits; or that nothing changed, or why it cannot
 * be told. The last phase's level is the final draw, and is said once. NULL: memory
 * is out. */
json_t *change_words(const json_t *rows);

#endif
