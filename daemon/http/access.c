/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/access.h"

#include "base/text_file.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum { TRIES_KEPT = 64, LONGEST_WAIT_S = 60 };

struct tries {
    char address[64];
    unsigned wrong;
    double last_s, until_s;
};

struct access {
    bool has_code;
    char code[ACCESS_LONGEST_CODE + 1]; /* zeros behind it */
    struct tries tries[TRIES_KEPT];
};

static int take_code(struct access *access, const char *path, char *text, size_t length,
                     struct error *error)
{
    while (length > 0 && (text[length - 1] == '\n' || text[length - 1] == '\r'))
        text[--length] = '\0';
    if (length < ACCESS_SHORTEST_CODE || length > ACCESS_LONGEST_CODE)
        return error_set(error, EXIT_BAD_DATA, path, 1, "one line of 8 to 200 characters",
                         "found %zu", length);
    for (size_t i = 0; i < length; i++)
        if (!isgraph((unsigned char)text[i]))
            return error_set(error, EXIT_BAD_DATA, path, 1,
                             "printable ASCII without blanks, on one line",
                             "found a blank or other character at position %zu", i + 1);
    memcpy(access->code, text, length);
    access->has_code = true;
    return 0;
}

struct access *access_create(const char *path, struct error *error)
{
    struct access *access = calloc(1, sizeof *access);
    if (!access) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        return NULL;
    }
    if (!path || !*path)
        return access;
    size_t length = 0;
    char *text = text_file_read(path, &length, error);
    if (!text || take_code(access, path, text, length, error) < 0) {
        access_destroy(access);
        access = NULL;
    }
    if (text)
        explicit_bzero(text, length);
    free(text);
    return access;
}

void access_destroy(struct access *access)
{
    if (access)
        explicit_bzero(access->code, sizeof access->code);
    free(access);
}

bool access_has_code(const struct access *access)
{
    return access->has_code;
}

/* Takes the same time wherever the two differ. */
static bool same_code(const char code[ACCESS_LONGEST_CODE + 1], const char *sent)
{
    char padded[ACCESS_LONGEST_CODE + 1] = "";
    size_t length = strnlen(sent, sizeof padded);
    bool fits = length < sizeof padded;
    memcpy(padded, sent, fits ? length : sizeof padded);
    volatile unsigned char differs = 0;
    for (size_t i = 0; i < sizeof padded; i++)
        differs |= (unsigned char)(padded[i] ^ code[i]);
    explicit_bzero(padded, sizeof padded);
    return fits && differs == 0;
}

static struct tries *tries_of(struct access *access, const char *address)
{
    struct tries *oldest = &access->tries[0];
    for (int i = 0; i < TRIES_KEPT; i++) {
        struct tries *tries = &access->tries[i];
        if (strcmp(tries->address, address) == 0)
            return tries;
        if (tries->last_s < oldest->last_s)
            oldest = tries;
    }
    memset(oldest, 0, sizeof *oldest);
    snprintf(oldest->address, sizeof oldest->address, "%s", address);
    return oldest;
}

enum access_result access_check(struct access *access, const char *authorization,
                                const char *address, double now_s, unsigned *wait_s)
{
    *wait_s = 0;
    if (!access->has_code)
        return ACCESS_ALLOWED;
    if (!authorization || strncasecmp(authorization, "Bearer ", 7) != 0)
        return ACCESS_NO_CODE;
    struct tries *tries = tries_of(access, address);
    tries->last_s = now_s;
    if (now_s < tries->until_s) {
        *wait_s = (unsigned)ceil(tries->until_s - now_s);
        return ACCESS_WAIT;
    }
    if (same_code(access->code, authorization + 7 + strspn(authorization + 7, " "))) {
        memset(tries, 0, sizeof *tries);
        return ACCESS_ALLOWED;
    }
    tries->wrong++;
    if (tries->wrong >= ACCESS_FREE_TRIES) {
        unsigned doublings = tries->wrong - ACCESS_FREE_TRIES;
        *wait_s = doublings < 6 ? 1U << doublings : LONGEST_WAIT_S;
        tries->until_s = now_s + *wait_s;
    }
    return ACCESS_WRONG_CODE;
}
