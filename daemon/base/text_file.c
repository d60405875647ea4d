/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/text_file.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

char *text_file_read(const char *path, size_t *length, struct error *error)
{
    FILE *file = fopen(path, "re");
    if (!file) {
        error_set(error, EXIT_NO_INPUT, path, 0, "a file that can be read", "cannot open: %s",
                  strerror(errno));
        return NULL;
    }
    char *text = NULL;
    size_t used = 0;
    size_t size = 0;
    for (;;) {
        if (size - used < 65536) {
            size = size ? 2 * size : 131072;
            char *grown = realloc(text, size);
            if (!grown) {
                error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
                break;
            }
            text = grown;
        }
        size_t got = fread(text + used, 1, size - used - 1, file);
        used += got;
        if (got > 0)
            continue;
        if (ferror(file)) {
            error_set(error, errno == EISDIR ? EXIT_NO_INPUT : EXIT_IO, path, 0, "a file",
                      "cannot read: %s", strerror(errno));
            break;
        }
        fclose(file);
        text[used] = '\0';
        *length = used;
        return text;
    }
    fclose(file);
    free(text);
    return NULL;
}

int text_file_write(const char *path, const char *text, size_t length, struct error *error)
{
    char neighbour[4096];
    int printed = snprintf(neighbour, sizeof neighbour, "%s.new%ld", path, (long)getpid());
    if (printed < 0 || (size_t)printed >= sizeof neighbour)
        return error_set(error, EXIT_IO, path, 0, NULL, "the path is too long");
    FILE *file = fopen(neighbour, "we");
    if (!file)
        return error_set(error, EXIT_IO, path, 0, NULL, "cannot write: %s", strerror(errno));
    bool written =
        fwrite(text, 1, length, file) == length && fflush(file) == 0 && fsync(fileno(file)) == 0;
    int failure = errno;
    if (fclose(file) != 0 && written) {
        written = false;
        failure = errno;
    }
    if (written && rename(neighbour, path) != 0) {
        written = false;
        failure = errno;
    }
    if (written)
        return 0;
    unlink(neighbour);
    return error_set(error, EXIT_IO, path, 0, NULL, "cannot write: %s", strerror(failure));
}
