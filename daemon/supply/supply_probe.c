/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/supply_probe.h"

#include "supply/probe_private.h"

#include <stdio.h>
#include <string.h>

bool probe_reads(const struct profile *profile, const struct link_spec *spec, int output,
                 struct reading *reading, char identity[160], struct error *error)
{
    struct connection *connection = connection_create(profile, spec, error);
    struct supply *supply = NULL;
    bool good = false;
    if (connection)
        supply = supply_create(connection, output, false, error);
    if (supply && connection_open(connection, error) == 0) {
        if (identity)
            snprintf(identity, 160, "%s", connection->identity);
        bool repeat = false;
        good = supply_read(supply, reading, &repeat, error) == SUPPLY_OK;
    }
    supply_destroy(supply);
    connection_destroy(connection);
    return good;
}

char *probe_line_words(const struct link_spec *spec, char text[80])
{
    text[0] = '\0';
    if (spec->kind == LINK_SERIAL || spec->kind == LINK_MODBUS_RTU)
        snprintf(text, 80, "%d baud, parity %s, %d stop bit%s", spec->baud,
                 spec->parity == 'N'   ? "none"
                 : spec->parity == 'E' ? "even"
                                       : "odd",
                 spec->stop_bits, spec->stop_bits == 1 ? "" : "s");
    return text;
}

int supply_probe(const struct supply_probing *probing, struct error *error)
{
    switch (probing->spec->kind) {
    case LINK_MODBUS_RTU:
    case LINK_MODBUS_TCP:
    case LINK_MODBUS_RTU_TCP:
        return probe_modbus(probing, error);
    default:
        return probe_text(probing, error);
    }
}
