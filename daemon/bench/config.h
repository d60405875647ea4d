/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The daemon's configuration: [bench] and one [supply NAME] an output.
 */
#ifndef WAKEDRAW_BENCH_CONFIG_H
#define WAKEDRAW_BENCH_CONFIG_H

#include "base/error.h"
#include "link/link.h"

#include <stdbool.h>
#include <stdint.h>

struct supply_config {
    char name[64];
    struct link_spec link;
    char profile[256];
    int output; /* from 1 */
    bool control;
    double rate_hz; /* 0: as fast as the link allows */
    char module_type[128];
    long line; /* of the section's first key, for messages */
};

struct config {
    char path[512];
    char name[128];
    char data[512];
    char listen[128]; /* ADDRESS:PORT */
    char access_code_file[512], tls_certificate[512], tls_key[512];
    /* The bench is simulated, and its wall time at start; 0: it is none. */
    int64_t simulated_from_us;
    struct supply_config *supplies;
    int supply_count;
};

/* Reads and checks the whole file. -1 with file, line, key, and what was
 * expected: unknown or doubled key or section, a value out of range, a supply
 * without link or profile, the same link and output twice. */
int config_read(const char *path, struct config *config, struct error *error);
/* Both reach their supply through one link (on a bus, perhaps at two addresses). */
bool config_same_link(const struct supply_config *a, const struct supply_config *b);

void config_clear(struct config *config);

#endif
