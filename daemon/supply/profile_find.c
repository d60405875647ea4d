/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_content.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int profile_directories(char directories[4][512])
{
    int count = 0;
    const char *chosen = getenv("WAKEDRAW_PROFILES");
    if (chosen && chosen[0])
        snprintf(directories[count++], 512, "%s", chosen);
    char executable[512];
    ssize_t length = readlink("/proc/self/exe", executable, sizeof executable - 1);
    if (length <= 0)
        return count;
    executable[length] = '\0';
    char *slash = strrchr(executable, '/');
    if (!slash)
        return count;
    *slash = '\0';
    if (strlen(executable) + sizeof "/../share/wakedraw/profiles" > 512)
        return count;
    static const char *const beside[] = {"/../daemon/profiles", "/../share/wakedraw/profiles"};
    for (size_t i = 0; i < 2; i++) {
        snprintf(directories[count], 512, "%s", executable);
        strncat(directories[count], beside[i], 511 - strlen(directories[count]));
        count++;
    }
    return count;
}

static bool is_path(const char *text)
{
    size_t length = strlen(text);
    return strchr(text, '/') || (length > 4 && strcmp(text + length - 4, ".ini") == 0);
}

int profile_find(const char *name_or_path, char *path, unsigned long size, struct error *error)
{
    if (is_path(name_or_path)) {
        if (strlen(name_or_path) >= size)
            return error_set(error, EXIT_NO_INPUT, name_or_path, 0, NULL, "the path is too long");
        snprintf(path, size, "%s", name_or_path);
        return 0;
    }
    char directories[4][512];
    int count = profile_directories(directories);
    char looked[200] = "";
    for (int i = 0; i < count; i++) {
        if (strlen(directories[i]) + strlen(name_or_path) + sizeof "/.ini" > size)
            continue;
        snprintf(path, size, "%s/%s.ini", directories[i], name_or_path);
        if (access(path, F_OK) == 0)
            return 0;
        size_t used = strlen(looked);
        snprintf(looked + used, sizeof looked - used, "%s%s", used ? ", " : "", directories[i]);
    }
    return error_set(error, EXIT_NO_INPUT, name_or_path, 0, "an installed profile's name or a path",
                     "no such profile in %s", looked[0] ? looked : "any directory");
}
