/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/data_path.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int data_path(const char *name_or_path, const char *variable, const char *source,
              const char *installed, char path[512])
{
    size_t length = strlen(name_or_path);
    if (strchr(name_or_path, '/') ||
        (length > 4 && strcmp(name_or_path + length - 4, ".ini") == 0)) {
        return snprintf(path, 512, "%s", name_or_path) < 512 ? 0 : -1;
    }
    const char *directory = getenv(variable);
    if (directory && snprintf(path, 512, "%s/%s.ini", directory, name_or_path) < 512 &&
        access(path, F_OK) == 0)
        return 0;
    char executable[PATH_MAX];
    ssize_t count = readlink("/proc/self/exe", executable, sizeof executable - 1);
    if (count <= 0)
        return -1;
    executable[count] = '\0';
    char *slash = strrchr(executable, '/');
    if (slash)
        *slash = '\0';
    /* build/wakedraw, or a build of another kind one directory below */
    static const char *const ups[] = {"..", "../.."};
    for (int i = 0; i < 2; i++)
        if (snprintf(path, 512, "%s/%s/%s/%s.ini", executable, ups[i], source, name_or_path) <
                512 &&
            access(path, F_OK) == 0)
            return 0;
    if (snprintf(path, 512, "%s/../share/wakedraw/%s/%s.ini", executable, installed, name_or_path) <
            512 &&
        access(path, F_OK) == 0)
        return 0;
    return -1;
}
