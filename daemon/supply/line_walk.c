/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/line_walk.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIKELY_RATES = 6, RATES = 13, LIKELY_FRAMES = 2, FRAMES = 4, HIGHEST_ADDRESS = 247 };

static const int rates[RATES] = {9600, 115200, 19200,  38400,  57600, 4800, 2400,
                                 1200, 230400, 460800, 921600, 600,   300};

static const struct frame {
    char parity;
    int stop_bits;
} frames[FRAMES] = {{'N', 1}, {'E', 1}, {'O', 1}, {'N', 2}};

struct pass {
    int rates, frames, from, to; /* the first so many; addresses */
    bool patient;
};

static const struct pass modbus_passes[] = {
    {RATES, LIKELY_FRAMES, 1, 1, false},
    {LIKELY_RATES, LIKELY_FRAMES, 2, 16, false},
    {LIKELY_RATES, LIKELY_FRAMES, 1, 1, true},
    {RATES, FRAMES, 1, 16, false},
    {LIKELY_RATES, LIKELY_FRAMES, 17, HIGHEST_ADDRESS, false},
    {RATES, FRAMES, 17, HIGHEST_ADDRESS, false},
};

/* Others than Modbus have no addresses, and rarely parity. */
static const struct pass plain_passes[] = {
    {RATES, 1, 0, 0, false},
    {LIKELY_RATES, 1, 0, 0, true},
};

static bool has_line(enum link_kind kind)
{
    return kind == LINK_SERIAL || kind == LINK_MODBUS_RTU;
}

static bool has_address(enum link_kind kind)
{
    return kind == LINK_MODBUS_RTU || kind == LINK_MODBUS_TCP || kind == LINK_MODBUS_RTU_TCP;
}

/* Which tries are in the walk: by rate, parity and stop, address, patience. */
struct seen {
    bool there[RATES][6][HIGHEST_ADDRESS + 1][2];
};

static bool *place_of(struct seen *seen, const struct line_try *at)
{
    int rate = 0;
    while (rate < RATES - 1 && rates[rate] != at->baud)
        rate++;
    int frame = (at->parity == 'N' ? 0 : at->parity == 'E' ? 2 : 4) + (at->stop_bits == 2);
    return &seen->there[rate][frame][at->address][at->patient];
}

/* What is given stands instead of what would be walked; where that makes two
 * tries the same, the second is left out. */
static void add(struct line_walk *walk, struct seen *seen, const struct link_spec *spec,
                struct line_try at)
{
    if (!has_line(spec->kind)) {
        at.baud = 0;
        at.parity = 'N';
        at.stop_bits = 1;
    }
    if (spec->baud_given)
        at.baud = spec->baud;
    if (spec->parity_given)
        at.parity = spec->parity;
    if (spec->stop_given)
        at.stop_bits = (unsigned char)spec->stop_bits;
    if (spec->address_given)
        at.address = (unsigned char)spec->address;
    bool *there = place_of(seen, &at);
    if (!*there)
        walk->tries[walk->count++] = at;
    *there = true;
}

int line_walk_make(const struct link_spec *spec, struct line_walk *walk)
{
    bool modbus = has_address(spec->kind);
    const struct pass *passes = modbus ? modbus_passes : plain_passes;
    size_t count = modbus ? sizeof modbus_passes / sizeof *modbus_passes
                          : sizeof plain_passes / sizeof *plain_passes;
    walk->count = 0;
    size_t most = 0;
    for (size_t i = 0; i < count; i++)
        most += (size_t)(passes[i].rates * passes[i].frames * (passes[i].to - passes[i].from + 1));
    walk->tries = malloc(most * sizeof *walk->tries);
    struct seen *seen = calloc(1, sizeof *seen);
    if (!walk->tries || !seen) {
        free(seen);
        line_walk_clear(walk);
        return -1;
    }
    for (const struct pass *pass = passes; pass < passes + count; pass++)
        for (int rate = 0; rate < pass->rates; rate++)
            for (int frame = 0; frame < pass->frames; frame++)
                for (int address = pass->from; address <= pass->to; address++)
                    add(walk, seen, spec,
                        (struct line_try){.baud = rates[rate],
                                          .parity = frames[frame].parity,
                                          .stop_bits = (unsigned char)frames[frame].stop_bits,
                                          .address = (unsigned char)address,
                                          .patient = pass->patient});
    free(seen);
    return 0;
}

void line_walk_clear(struct line_walk *walk)
{
    free(walk->tries);
    walk->tries = NULL;
    walk->count = 0;
}

struct link_spec line_walk_spec(const struct link_spec *spec, const struct line_try *at)
{
    struct link_spec made = *spec;
    if (has_line(spec->kind)) {
        made.baud = at->baud;
        made.parity = at->parity;
        made.stop_bits = at->stop_bits;
    }
    if (at->address)
        made.address = at->address;
    return made;
}

char *line_walk_text(const struct link_spec *spec, char text[400])
{
    size_t length = strcspn(spec->text, "?");
    size_t used = (size_t)snprintf(text, 400, "%.*s", (int)length, spec->text);
    if (has_line(spec->kind))
        used += (size_t)snprintf(text + used, 400 - used, "?baud=%d&parity=%s&stop=%d", spec->baud,
                                 spec->parity == 'N'   ? "none"
                                 : spec->parity == 'E' ? "even"
                                                       : "odd",
                                 spec->stop_bits);
    if (has_address(spec->kind))
        snprintf(text + used, 400 - used, "%caddress=%d", has_line(spec->kind) ? '&' : '?',
                 spec->address);
    return text;
}
