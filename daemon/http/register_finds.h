/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Register finders that pages lead, each in a thread of its own with a link that no
 * supply uses. One that no page has asked about for a while ends itself.
 */
#ifndef WAKEDRAW_HTTP_REGISTER_FINDS_H
#define WAKEDRAW_HTTP_REGISTER_FINDS_H

#include "base/error.h"
#include "link/link.h"
#include "supply/register_finder.h"

#include <jansson.h>
#include <stdint.h>

enum { FINDS_MOST = 4, FINDS_PAGE_GONE_S = 300 };

struct register_finds;

struct find_begin {
    struct link_spec link;
    struct finder_supply supply;
    int from, to; /* registers looked at */
};

/* page_gone_s: one that nobody has asked about for so long ends itself. NULL: memory is
 * out. */
struct register_finds *register_finds_create(double page_gone_s);
/* Ends all of them, waiting for their threads. */
void register_finds_destroy(struct register_finds *finds);

/* Its id; -1 with the error filled: EXIT_BAD_DATA with the field in `file`, EXIT_USAGE
 * where so many run, or one on this link. */
int64_t register_finds_begin(struct register_finds *finds, const struct find_begin *begin,
                             struct error *error);

/* How it stands; NULL: there is none of this id. */
json_t *register_find_json(struct register_finds *finds, int64_t id);

/* Step `number` is as asked, or as the answer says: all is read now. -1: EXIT_NO_INPUT:
 * no such find; EXIT_USAGE: that step is not being asked for. */
int register_find_step(struct register_finds *finds, int64_t id, int number,
                       const struct finder_answer *answer, struct error *error);

/* The step before is to be made again. */
int register_find_back(struct register_finds *finds, int64_t id, struct error *error);

/* The profile's text, malloc'd, and the link's; NULL with the error filled. */
char *register_find_profile(struct register_finds *finds, int64_t id, char link[400],
                            struct error *error);

/* Ends it and forgets it. -1: there is none. */
int register_find_end(struct register_finds *finds, int64_t id);

#endif
