/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The page's files: only from the web directory, only names and extensions on
 * the list, and uPlot's as /vendor/uplot/.
 */
#ifndef WAKEDRAW_HTTP_PAGE_FILES_H
#define WAKEDRAW_HTTP_PAGE_FILES_H

#include "http/path.h"

#include <microhttpd.h>
#include <stdbool.h>
#include <stddef.h>

/* Where a path's file lies below the web directory, and its media type; false
 * where the path names no file that is served. Pure. */
bool page_files_place(const struct path *path, char *place, size_t size, const char **media_type);

/* The response and *status (200 or 304) for a GET of it; NULL: not there.
 * `if_none_match` and `accept_encoding` are those header fields, or NULL. Text is
 * sent as a zstd frame (RFC 8878) or a gzip member (RFC 1952) to whoever takes one. */
struct MHD_Response *page_files_open(const char *web, const char *place, const char *media_type,
                                     const char *if_none_match, const char *accept_encoding,
                                     unsigned *status);

/* Whether an Accept-Encoding field names a coding, "zstd", and takes it (RFC 9110,
 * 12.5.3); NULL does not. Pure. */
bool page_files_takes(const char *accept_encoding, const char *coding);

#endif
