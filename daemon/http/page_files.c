/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/page_files.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>
#include <zstd.h>

enum { SQUEEZE_LEVEL = 9, LARGEST_SQUEEZED = 1 << 20, GZIP_WINDOW = 15 + 16 };

static const char *media_type_of(const char *name)
{
    static const struct {
        const char *extension, *media_type;
    } kinds[] = {
        {".html", "text/html; charset=utf-8"},
        {".js", "text/javascript; charset=utf-8"},
        {".css", "text/css; charset=utf-8"},
        {".svg", "image/svg+xml"},
        {".png", "image/png"},
        {".ico", "image/x-icon"},
        {".woff2", "font/woff2"},
        {".webmanifest", "application/manifest+json"},
    };
    const char *extension = strrchr(name, '.');
    for (size_t i = 0; extension && i < sizeof kinds / sizeof kinds[0]; i++)
        if (strcmp(extension, kinds[i].extension) == 0)
            return kinds[i].media_type;
    return NULL;
}

/* Letters, digits, "_", "-" and "." but not first. */
static bool is_plain_name(const char *name)
{
    static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
                                  "_-.";
    return *name && *name != '.' && strspn(name, letters) == strlen(name) && strlen(name) < 100;
}

bool page_files_place(const struct path *path, char *place, size_t size, const char **media_type)
{
    static const char uplot[] = "node_modules/uplot/dist";
    size_t from = 0;
    int length = 0;
    if (path->count == 0 || (path->count == 1 && path->segments[0][0] == '\0')) {
        *media_type = media_type_of("index.html");
        return snprintf(place, size, "index.html") < (int)size;
    }
    for (size_t i = 0; i < path->count; i++)
        if (!is_plain_name(path->segments[i]))
            return false;
    if (strcmp(path->segments[0], "node_modules") == 0)
        return false;
    if (path->count == 3 && strcmp(path->segments[0], "vendor") == 0) {
        if (strcmp(path->segments[1], "uplot") != 0)
            return false;
        length = snprintf(place, size, "%s", uplot);
        from = 2;
    }
    for (size_t i = from; i < path->count && length < (int)size; i++)
        length += snprintf(place + length, size - (size_t)length, "%s%s", length > 0 ? "/" : "",
                           path->segments[i]);
    *media_type = media_type_of(path->segments[path->count - 1]);
    return *media_type && length < (int)size;
}

bool page_files_takes(const char *accept_encoding, const char *coding)
{
    size_t wanted = strlen(coding);
    static const char blanks[] = " \t";
    const char *at = accept_encoding ? accept_encoding : "";
    while (*at) {
        at += strspn(at, " \t,");
        size_t length = strcspn(at, " \t,;");
        bool named = length == wanted && strncasecmp(at, coding, wanted) == 0;
        const char *end = at + strcspn(at, ",");
        at += length;
        at += strspn(at, blanks);
        if (named && *at != ';')
            return true;
        if (named) {
            at += 1 + strspn(at + 1, blanks);
            return strncasecmp(at, "q=", 2) != 0 || strtod(at + 2, NULL) > 0;
        }
        at = end;
    }
    return false;
}

static bool is_text(const char *media_type)
{
    return strncmp(media_type, "text/", 5) == 0 || strcmp(media_type, "image/svg+xml") == 0 ||
           strcmp(media_type, "application/manifest+json") == 0;
}

static bool read_whole(int file, char *bytes, size_t size)
{
    size_t have = 0;
    while (have < size) {
        ssize_t got = pread(file, bytes + have, size - have, (off_t)have);
        if (got <= 0)
            return false;
        have += (size_t)got;
    }
    return true;
}

/* How a text goes over the wire. */
enum coding { CODING_NONE, CODING_ZSTD, CODING_GZIP };
static const char *const coding_names[] = {"", "zstd", "gzip"};

/* A browser takes zstd over TLS or from its own machine alone; gzip it always takes. */
static enum coding coding_for(const char *accept_encoding)
{
    for (enum coding coding = CODING_ZSTD; coding <= CODING_GZIP; coding++)
        if (page_files_takes(accept_encoding, coding_names[coding]))
            return coding;
    return CODING_NONE;
}

/* The length of the gzip member (RFC 1952) in `frame`; 0: it cannot be had. */
static size_t gzip(char *frame, size_t room, char *plain, size_t size)
{
    z_stream stream = {.next_in = (Bytef *)plain,
                       .avail_in = (uInt)size,
                       .next_out = (Bytef *)frame,
                       .avail_out = (uInt)room};
    if (deflateInit2(&stream, Z_BEST_COMPRESSION, Z_DEFLATED, GZIP_WINDOW, 8, Z_DEFAULT_STRATEGY) !=
        Z_OK)
        return 0;
    bool whole = deflate(&stream, Z_FINISH) == Z_STREAM_END;
    size_t length = stream.total_out;
    deflateEnd(&stream);
    return whole ? length : 0;
}

static size_t squeeze_into(enum coding coding, char *frame, size_t room, char *plain, size_t size)
{
    if (coding == CODING_GZIP)
        return gzip(frame, room, plain, size);
    size_t length = ZSTD_compress(frame, room, plain, size, SQUEEZE_LEVEL);
    return ZSTD_isError(length) ? 0 : length;
}

/* The file so coded; NULL where that cannot be had, or makes it no shorter. */
static struct MHD_Response *squeezed(enum coding coding, int file, size_t size)
{
    size_t room = ZSTD_compressBound(size);
    char *plain = malloc(size);
    char *frame = malloc(room);
    struct MHD_Response *response = NULL;
    if (plain && frame && read_whole(file, plain, size)) {
        size_t length = squeeze_into(coding, frame, room, plain, size);
        if (length > 0 && length < size)
            response = MHD_create_response_from_buffer(length, frame, MHD_RESPMEM_MUST_FREE);
    }
    free(plain);
    if (!response)
        free(frame);
    else
        MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_ENCODING, coding_names[coding]);
    return response;
}

struct MHD_Response *page_files_open(const char *web, const char *place, const char *media_type,
                                     const char *if_none_match, const char *accept_encoding,
                                     unsigned *status)
{
    char whole[1024];
    char tag[64];
    struct stat state;
    if (snprintf(whole, sizeof whole, "%s/%s", web, place) >= (int)sizeof whole)
        return NULL;
    int file = open(whole, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOFOLLOW);
    if (file < 0)
        return NULL;
    if (fstat(file, &state) < 0 || !S_ISREG(state.st_mode)) {
        close(file);
        return NULL;
    }
    bool squeeze = is_text(media_type) && state.st_size > 0 && state.st_size <= LARGEST_SQUEEZED;
    enum coding coding = squeeze ? coding_for(accept_encoding) : CODING_NONE;
    snprintf(tag, sizeof tag, "\"%llx-%llx%09lx%s%s\"", (unsigned long long)state.st_size,
             (unsigned long long)state.st_mtim.tv_sec, (unsigned long)state.st_mtim.tv_nsec,
             coding != CODING_NONE ? "-" : "", coding_names[coding]);
    static char nothing[] = "";
    struct MHD_Response *response = NULL;
    if (if_none_match && (strstr(if_none_match, tag) || strcmp(if_none_match, "*") == 0)) {
        *status = MHD_HTTP_NOT_MODIFIED;
        response = MHD_create_response_from_buffer(0, nothing, MHD_RESPMEM_PERSISTENT);
    } else {
        *status = MHD_HTTP_OK;
        if (coding != CODING_NONE)
            response = squeezed(coding, file, (size_t)state.st_size);
        if (!response) {
            response = MHD_create_response_from_fd64((uint64_t)state.st_size, file);
            file = response ? -1 : file; /* the response closes it */
        }
    }
    if (file >= 0)
        close(file);
    if (!response)
        return NULL;
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, media_type);
    MHD_add_response_header(response, MHD_HTTP_HEADER_ETAG, tag);
    MHD_add_response_header(response, MHD_HTTP_HEADER_CACHE_CONTROL, "no-cache");
    MHD_add_response_header(response, MHD_HTTP_HEADER_VARY, MHD_HTTP_HEADER_ACCEPT_ENCODING);
    return response;
}
