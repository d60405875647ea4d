/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/data_path.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { MOST_PLACES = 4 };

static bool is_ini(const char *name)
{
    size_t length = strlen(name);
    return length > 4 && strcmp(name + length - 4, ".ini") == 0;
}

static int places_of(const struct data_kind *kind, char places[MOST_PLACES][PATH_MAX])
{
    /* build/wakedraw, a build of another kind one directory below, installed */
    static const char *const ways[] = {"..", "../..", "../share/wakedraw"};
    int count = 0;
    const char *directory = getenv(kind->variable);
    if (directory)
        snprintf(places[count++], PATH_MAX, "%s", directory);
    char executable[PATH_MAX];
    ssize_t length = readlink("/proc/self/exe", executable, sizeof executable - 1);
    if (length <= 0)
        return count;
    executable[length] = '\0';
    char *slash = strrchr(executable, '/');
    if (slash)
        *slash = '\0';
    for (int i = 0; i < 3; i++) {
        const char *under = i < 2 ? kind->source : kind->installed;
        if (snprintf(places[count], PATH_MAX, "%s/%s/%s", executable, ways[i], under) < PATH_MAX)
            count++;
    }
    return count;
}

int data_path(const struct data_kind *kind, const char *name_or_path, char path[512])
{
    if (strchr(name_or_path, '/') || is_ini(name_or_path))
        return snprintf(path, 512, "%s", name_or_path) < 512 ? 0 : -1;
    char places[MOST_PLACES][PATH_MAX];
    int count = places_of(kind, places);
    for (int i = 0; i < count; i++)
        if (snprintf(path, 512, "%s/%s.ini", places[i], name_or_path) < 512 &&
            access(path, F_OK) == 0)
            return 0;
    return -1;
}

static int wanted(const struct dirent *entry)
{
    return is_ini(entry->d_name);
}

char *data_names(const struct data_kind *kind, char *text, size_t size)
{
    char places[MOST_PLACES][PATH_MAX];
    int count = places_of(kind, places);
    size_t used = 0;
    text[0] = '\0';
    for (int i = 0; i < count && used == 0; i++) {
        struct dirent **entries = NULL;
        int found = scandir(places[i], &entries, wanted, alphasort);
        for (int n = 0; n < found; n++) {
            int length = (int)strlen(entries[n]->d_name) - 4;
            if (used + (size_t)length + 3 < size)
                used += (size_t)snprintf(text + used, size - used, "%s%.*s", used ? ", " : "",
                                         length, entries[n]->d_name);
            free(entries[n]);
        }
        free(entries);
    }
    return text;
}
