/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/conditions.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* A text without the blanks at its ends. */
struct slice {
    const char *start;
    size_t length;
};

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static struct slice trimmed(const char *text, size_t length)
{
    while (length > 0 && is_blank(text[0])) {
        text++;
        length--;
    }
    while (length > 0 && is_blank(text[length - 1]))
        length--;
    return (struct slice){text, length};
}

static bool slices_are_equal(struct slice a, struct slice b)
{
    return a.length == b.length && strncasecmp(a.start, b.start, a.length) == 0;
}

static bool are_equal(const char *a, const char *b)
{
    return slices_are_equal(trimmed(a, strlen(a)), trimmed(b, strlen(b)));
}

/* The terminal of a feed that was named in words. */
static struct slice terminal_of(const char *feed)
{
    static const char *const names[][2] = {{"battery", "30"}, {"ignition", "15"}, {"start", "50"}};
    struct slice found = trimmed(feed, strlen(feed));
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (slices_are_equal(found, (struct slice){names[i][0], strlen(names[i][0])}))
            return (struct slice){names[i][1], strlen(names[i][1])};
    return found;
}

static bool has_all(const struct texts *these, const struct texts *of_those)
{
    for (size_t i = 0; i < of_those->count; i++) {
        bool there = false;
        for (size_t j = 0; j < these->count && !there; j++)
            there = slices_are_equal(terminal_of(these->items[j]), terminal_of(of_those->items[i]));
        if (!there)
            return false;
    }
    return true;
}

static bool texts_differ(const char *a, const char *b)
{
    return a && b && !are_equal(a, b);
}

struct conditions_difference conditions_compare(const struct conditions *taught,
                                                const struct conditions *on_bench)
{
    struct conditions_difference differs = {
        .feeds = taught->feeds.count > 0 && on_bench->feeds.count > 0 &&
                 !(has_all(&taught->feeds, &on_bench->feeds) &&
                   has_all(&on_bench->feeds, &taught->feeds)),
        .revision = texts_differ(taught->revision, on_bench->revision),
        .set_up = texts_differ(taught->set_up, on_bench->set_up),
    };
    differs.any = differs.feeds || differs.revision || differs.set_up;
    return differs;
}

int texts_add(struct texts *texts, const char *text, size_t length)
{
    char **grown = realloc(texts->items, (texts->count + 1) * sizeof *grown);
    if (!grown)
        return -1;
    texts->items = grown;
    grown[texts->count] = strndup(text, length);
    return grown[texts->count] ? (texts->count++, 0) : -1;
}

void texts_clear(struct texts *texts)
{
    for (size_t i = 0; i < texts->count; i++)
        free(texts->items[i]);
    free(texts->items);
    *texts = (struct texts){0};
}

enum feeds_result feeds_read(const char *text, struct texts *feeds)
{
    enum feeds_result result = FEEDS_READ;
    for (const char *at = text; result == FEEDS_READ;) {
        size_t length = strcspn(at, ",");
        struct slice feed = trimmed(at, length);
        if (feed.length == 0 || feed.length > FEED_LONGEST || feeds->count == FEEDS_MOST)
            result = FEEDS_WRONG;
        else if (texts_add(feeds, feed.start, feed.length) != 0)
            result = FEEDS_NO_MEMORY;
        if (!at[length])
            break;
        at += length + 1;
    }
    if (result != FEEDS_READ)
        texts_clear(feeds);
    return result;
}

static int copy_text(char **to, const char *from)
{
    *to = from ? strdup(from) : NULL;
    return from && !*to ? -1 : 0;
}

int conditions_copy(struct conditions *to, const struct conditions *from)
{
    for (size_t i = 0; i < from->feeds.count; i++)
        if (texts_add(&to->feeds, from->feeds.items[i], strlen(from->feeds.items[i])) != 0)
            return -1;
    if (copy_text(&to->revision, from->revision) != 0)
        return -1;
    return copy_text(&to->set_up, from->set_up);
}

void conditions_clear(struct conditions *conditions)
{
    texts_clear(&conditions->feeds);
    free(conditions->revision);
    free(conditions->set_up);
    *conditions = (struct conditions){0};
}

void text_cut(const char *from, char *text, size_t size)
{
    size_t length = strlen(from);
    if (length < size) {
        snprintf(text, size, "%s", from);
        return;
    }
    size_t kept = size > sizeof "..." ? size - sizeof "..." : 0;
    /* Not within a character: in UTF-8 what goes on with one begins with the bits 10. */
    while (kept > 0 && ((unsigned char)from[kept] & 0xC0) == 0x80)
        kept--;
    snprintf(text, size, "%.*s...", (int)kept, from);
}

void feeds_say(const struct texts *feeds, char *text, size_t size)
{
    char *whole = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&whole, &length);
    for (size_t i = 0; stream && i < feeds->count; i++)
        fprintf(stream, "%s%s", i == 0 ? "" : ", ", feeds->items[i]);
    bool said = stream && fclose(stream) == 0 && whole;
    text_cut(said ? whole : "", text, size);
    free(whole);
}

void feeds_say_and(const char *feeds, char *text, size_t size)
{
    const char *last = NULL;
    for (const char *comma = strstr(feeds, ", "); comma; comma = strstr(comma + 1, ", "))
        last = comma;
    if (last)
        snprintf(text, size, "%.*s and %s", (int)(last - feeds), feeds, last + 2);
    else
        snprintf(text, size, "%s", feeds);
}
