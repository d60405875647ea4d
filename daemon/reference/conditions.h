/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a reference was taught under beside its module type, and what is on the
 * bench: the feeds that are live, the revision, the set-up (harness, loads, lead
 * set). A reference belongs to all of them: what differs is not compared. What
 * one side does not say is not held against the other. Pure.
 */
#ifndef WAKEDRAW_REFERENCE_CONDITIONS_H
#define WAKEDRAW_REFERENCE_CONDITIONS_H

#include <stdbool.h>
#include <stddef.h>

struct texts {
    char **items; /* malloc'd, each of them too */
    size_t count;
};

/* Feeds by their terminal (DIN 72552: 30 battery, 15 ignition, 50 start) or by
 * name; "battery", "ignition" and "start" are those terminals. */
struct conditions {
    struct texts feeds; /* live; none: not said */
    char *revision;     /* NULL: not said */
    char *set_up;       /* NULL: not said */
};

struct conditions_difference {
    bool feeds, revision, set_up; /* both sides say it, and differ */
    bool any;
};

/* Feeds differ where one side has one the other has not: their order and how
 * often one is named do not matter. Letters' case and blanks at the ends never do. */
struct conditions_difference conditions_compare(const struct conditions *taught,
                                                const struct conditions *on_bench);

/* Appends a copy of the first `length` bytes. -1: memory is out. */
int texts_add(struct texts *texts, const char *text, size_t length);
void texts_clear(struct texts *texts);

/* Of feeds in a row by commas, "30,15": each of 1 to 127 bytes, 1 to 16 of them. */
enum feeds_result { FEEDS_READ, FEEDS_WRONG, FEEDS_NO_MEMORY };
enum { FEEDS_MOST = 16, FEED_LONGEST = 127 };
enum feeds_result feeds_read(const char *text, struct texts *feeds);

/* -1: memory is out; `to`, which must be empty, may be cleared all the same. */
int conditions_copy(struct conditions *to, const struct conditions *from);
void conditions_clear(struct conditions *conditions);

/* "30, 15, 50", cut as by text_cut. */
void feeds_say(const struct texts *feeds, char *text, size_t size);

/* From that: "30, 15 and 50". */
void feeds_say_and(const char *feeds, char *text, size_t size);

/* A text cut so, "..." at its end where it was longer. */
void text_cut(const char *from, char *text, size_t size);

#endif
