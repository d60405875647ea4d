/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The access code: who may change things. Wrong codes from one address make
 * that address wait, longer each time. Takes the time as data.
 */
#ifndef WAKEDRAW_HTTP_ACCESS_H
#define WAKEDRAW_HTTP_ACCESS_H

#include "base/error.h"

#include <stdbool.h>

struct access;

enum { ACCESS_SHORTEST_CODE = 8, ACCESS_LONGEST_CODE = 200, ACCESS_FREE_TRIES = 5 };

/* `path` names a file with the code on its one line; NULL or "": no code is
 * set, and everything is allowed. NULL with the error filled. */
struct access *access_create(const char *path, struct error *error);
void access_destroy(struct access *access);

bool access_has_code(const struct access *access);

enum access_result {
    ACCESS_ALLOWED,
    ACCESS_NO_CODE,    /* none was sent */
    ACCESS_WRONG_CODE, /* counted */
    ACCESS_WAIT,       /* too many wrong ones: not even looked at */
};

/* `authorization` is that header field, or NULL. From the fifth wrong code on
 * an address waits 1 s, 2 s, 4 s .. 60 s; *wait_s then says how long still. */
enum access_result access_check(struct access *access, const char *authorization,
                                const char *address, double now_s, unsigned *wait_s);

#endif
