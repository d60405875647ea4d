/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/page_files.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

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

struct MHD_Response *page_files_open(const char *web, const char *place, const char *media_type,
                                     const char *if_none_match, unsigned *status)
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
    snprintf(tag, sizeof tag, "\"%llx-%llx%09lx\"", (unsigned long long)state.st_size,
             (unsigned long long)state.st_mtim.tv_sec, (unsigned long)state.st_mtim.tv_nsec);
    static char nothing[] = "";
    struct MHD_Response *response;
    if (if_none_match && (strstr(if_none_match, tag) || strcmp(if_none_match, "*") == 0)) {
        close(file);
        *status = MHD_HTTP_NOT_MODIFIED;
        response = MHD_create_response_from_buffer(0, nothing, MHD_RESPMEM_PERSISTENT);
    } else {
        *status = MHD_HTTP_OK;
        response = MHD_create_response_from_fd64((uint64_t)state.st_size, file);
        if (!response)
            close(file);
    }
    if (!response)
        return NULL;
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, media_type);
    MHD_add_response_header(response, MHD_HTTP_HEADER_ETAG, tag);
    MHD_add_response_header(response, MHD_HTTP_HEADER_CACHE_CONTROL, "no-cache");
    return response;
}
