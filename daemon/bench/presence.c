/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/presence.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct presence_page *find(struct presence *presence, const char *page)
{
    for (size_t i = 0; i < PRESENCE_PAGES; i++)
        if (strcmp(presence->pages[i].name, page) == 0)
            return &presence->pages[i];
    return NULL;
}

/* A free place, else that of the page which is gone longest. */
static struct presence_page *make_place(struct presence *presence)
{
    struct presence_page *oldest = NULL;
    for (size_t i = 0; i < PRESENCE_PAGES; i++) {
        struct presence_page *place = &presence->pages[i];
        if (!place->name[0])
            return place;
        if (place->streams == 0 && (!oldest || place->left_s < oldest->left_s))
            oldest = place;
    }
    return oldest;
}

void presence_join(struct presence *presence, const char *page)
{
    if (!page[0])
        return;
    struct presence_page *place = find(presence, page);
    if (!place) {
        place = make_place(presence);
        if (!place)
            return;
        *place = (struct presence_page){.streams = 0};
        snprintf(place->name, sizeof place->name, "%s", page);
    }
    place->streams++;
}

void presence_leave(struct presence *presence, const char *page, double now_s)
{
    struct presence_page *place = page[0] ? find(presence, page) : NULL;
    if (!place || place->streams == 0)
        return;
    place->streams--;
    place->left_s = now_s;
}

double presence_gone_s(const struct presence *presence, const char *page, double now_s)
{
    for (size_t i = 0; i < PRESENCE_PAGES; i++) {
        const struct presence_page *place = &presence->pages[i];
        if (page[0] && strcmp(place->name, page) == 0)
            return place->streams > 0 ? 0 : fmax(0, now_s - place->left_s);
    }
    return (double)NAN;
}
