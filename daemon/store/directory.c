/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The data directory: made, and held by one process. The lock is the kernel's
 * and goes with the process; the number in the file is for the message only.
 */
#include "store/store_private.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

int directory_make(const char *directory, struct error *error)
{
    char path[512];
    if (snprintf(path, sizeof path, "%s", directory) >= (int)sizeof path || !path[0])
        return error_set(error, EXIT_USAGE, directory, 0, "a path of 1 to 511 bytes",
                         "cannot be the data directory");
    for (char *at = path + 1;; at++) {
        if (*at != '/' && *at)
            continue;
        char kept = *at;
        *at = '\0';
        if (mkdir(path, 0750) != 0 && errno != EEXIST)
            return error_set(error, EXIT_IO, path, 0, NULL, "cannot be made: %s", strerror(errno));
        *at = kept;
        if (!kept)
            break;
    }
    struct stat found;
    if (stat(path, &found) != 0)
        return error_set(error, EXIT_IO, path, 0, NULL, "cannot be read: %s", strerror(errno));
    if (!S_ISDIR(found.st_mode))
        return error_set(error, EXIT_IO, path, 0, "a directory", "found something else");
    return 0;
}

static int held(const char *path, int descriptor, struct error *error)
{
    char text[32] = "";
    ssize_t got = pread(descriptor, text, sizeof text - 1, 0);
    long process = got > 0 ? strtol(text, NULL, 10) : 0;
    if (process > 0)
        return error_set(error, EXIT_UNAVAILABLE, path, 0, NULL, "held by process %ld", process);
    return error_set(error, EXIT_UNAVAILABLE, path, 0, NULL, "held by another process");
}

int directory_lock(const char *directory, struct error *error)
{
    char path[600];
    snprintf(path, sizeof path, "%s/lock", directory);
    int descriptor = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (descriptor < 0)
        return error_set(error, EXIT_IO, path, 0, NULL, "cannot be opened: %s", strerror(errno));
    if (flock(descriptor, LOCK_EX | LOCK_NB) != 0) {
        if (errno == EWOULDBLOCK)
            held(directory, descriptor, error);
        else
            error_set(error, EXIT_IO, path, 0, NULL, "cannot be locked: %s", strerror(errno));
        close(descriptor);
        return -1;
    }
    char text[32];
    int length = snprintf(text, sizeof text, "%ld\n", (long)getpid());
    if (ftruncate(descriptor, 0) != 0 || pwrite(descriptor, text, (size_t)length, 0) != length) {
        error_set(error, EXIT_IO, path, 0, NULL, "cannot be written: %s", strerror(errno));
        close(descriptor);
        return -1;
    }
    return descriptor;
}
