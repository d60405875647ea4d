/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/config.h"

#include "base/clock.h"
#include "base/ini_file.h"

#include <libgen.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_SUPPLIES = 64 };

enum key_kind { KEY_TEXT, KEY_PATH, KEY_NUMBER, KEY_WHOLE, KEY_SWITCH, KEY_LINK, KEY_INSTANT };

/* One table a section: what may stand there, where it goes, its bounds. */
struct key {
    const char *name;
    enum key_kind kind;
    size_t offset, size;
    double low, high;
    const char *unit;
};

#define TEXT_KEY(type, member)                                                                     \
#member, KEY_TEXT, offsetof(struct type, member), sizeof(((struct type *)0)->member), 0, 0, ""
#define PATH_KEY(type, member)                                                                     \
#member, KEY_PATH, offsetof(struct type, member), sizeof(((struct type *)0)->member), 0, 0, ""

static const struct key bench_keys[] = {
    {TEXT_KEY(config, name)},
    {PATH_KEY(config, data)},
    {TEXT_KEY(config, listen)},
    {PATH_KEY(config, access_code_file)},
    {PATH_KEY(config, tls_certificate)},
    {PATH_KEY(config, tls_key)},
    {"simulated_from", KEY_INSTANT, offsetof(struct config, simulated_from_us), 0, 0, 0, ""},
};

static const struct key supply_keys[] = {
    {"link", KEY_LINK, offsetof(struct supply_config, link), 0, 0, 0, ""},
    {TEXT_KEY(supply_config, profile)},
    {"output", KEY_WHOLE, offsetof(struct supply_config, output), 0, 1, 99, ""},
    {"control", KEY_SWITCH, offsetof(struct supply_config, control), 0, 0, 0, ""},
    {"rate_hz", KEY_NUMBER, offsetof(struct supply_config, rate_hz), 0, 0.1, 1000, "readings/s"},
    {TEXT_KEY(supply_config, module_type)},
};

enum {
    BENCH_KEYS = sizeof bench_keys / sizeof *bench_keys,
    SUPPLY_KEYS = sizeof supply_keys / sizeof *supply_keys,
    MOST_KEYS = 8
};

struct config_reader {
    struct config *config;
    bool bench_given[MOST_KEYS];
    bool (*supply_given)[MOST_KEYS]; /* one row a supply */
};

/* A path that does not begin at the root counts from the configuration's own
 * directory, so that a service and a hand in any directory read the same. */
static int put_path(const struct ini_pair *pair, char *target, size_t size, struct error *error)
{
    char directory[512];
    snprintf(directory, sizeof directory, "%s", pair->file);
    int printed = pair->value[0] == '/' || !pair->value[0]
                      ? snprintf(target, size, "%s", pair->value)
                      : snprintf(target, size, "%s/%s", dirname(directory), pair->value);
    if (printed < 0 || (size_t)printed >= size)
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "a shorter path",
                         "%s is too long", pair->key);
    return 0;
}

static int put_text(const struct ini_pair *pair, char *target, size_t size, struct error *error)
{
    int printed = snprintf(target, size, "%s", pair->value);
    if (printed < 0 || (size_t)printed >= size) {
        char expected[64];
        snprintf(expected, sizeof expected, "at most %zu bytes", size - 1);
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, expected, "%s is too long",
                         pair->key);
    }
    return 0;
}

static int put_link(const struct ini_pair *pair, struct link_spec *link, struct error *error)
{
    struct error inner = {0};
    if (link_parse(pair->value, link, &inner) == 0)
        return 0;
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, inner.expected, "link: %s",
                     inner.found);
}

static int put_instant(const struct ini_pair *pair, int64_t *wall_us, struct error *error)
{
    if (clock_parse_rfc3339(pair->value, wall_us) && *wall_us > 0)
        return 0;
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                     "an instant in UTC as 2026-01-31T08:00:00Z", "%s: found \"%s\"", pair->key,
                     pair->value);
}

static int put_value(const struct key *key, void *base, const struct ini_pair *pair,
                     struct error *error)
{
    void *target = (char *)base + key->offset;
    double number = 0;
    switch (key->kind) {
    case KEY_TEXT:
        return put_text(pair, target, key->size, error);
    case KEY_PATH:
        return put_path(pair, target, key->size, error);
    case KEY_LINK:
        return put_link(pair, target, error);
    case KEY_INSTANT:
        return put_instant(pair, target, error);
    case KEY_SWITCH:
        if (strcmp(pair->value, "on") != 0 && strcmp(pair->value, "off") != 0)
            return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "on or off",
                             "%s: found \"%s\"", pair->key, pair->value);
        *(bool *)target = strcmp(pair->value, "on") == 0;
        return 0;
    case KEY_NUMBER:
        return ini_number(pair, key->low, key->high, key->unit, target, error);
    case KEY_WHOLE:
        if (ini_number(pair, key->low, key->high, key->unit, &number, error) != 0)
            return -1;
        if (number != (double)(int)number)
            return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "a whole number",
                             "%s: found \"%s\"", pair->key, pair->value);
        *(int *)target = (int)number;
        return 0;
    }
    return -1;
}

static int put_key(const struct key *keys, size_t count, bool *given, void *base,
                   const struct ini_pair *pair, struct error *error)
{
    for (size_t i = 0; i < count; i++) {
        if (strcmp(keys[i].name, pair->key) != 0)
            continue;
        if (given[i])
            return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "every key once",
                             "[%s] %s stands here a second time", pair->section, pair->key);
        given[i] = true;
        return put_value(&keys[i], base, pair, error);
    }
    char known[200] = "one of";
    for (size_t i = 0; i < count; i++) {
        size_t used = strlen(known);
        snprintf(known + used, sizeof known - used, "%s %s", i ? "," : "", keys[i].name);
    }
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, known,
                     "unknown key \"%s\" in [%s]", pair->key, pair->section);
}

static struct supply_config *find_supply(struct config_reader *reader, const char *name,
                                         const struct ini_pair *pair, struct error *error)
{
    struct config *config = reader->config;
    for (int i = 0; i < config->supply_count; i++)
        if (strcmp(config->supplies[i].name, name) == 0)
            return &config->supplies[i];
    if (config->supply_count == MOST_SUPPLIES) {
        error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "at most 64",
                  "found more supplies");
        return NULL;
    }
    struct supply_config *supply = &config->supplies[config->supply_count++];
    *supply = (struct supply_config){.output = 1, .line = pair->line};
    snprintf(supply->name, sizeof supply->name, "%s", name);
    return supply;
}

/* Names go into addresses of pages and the API. */
static bool name_is_plain(const char *name)
{
    size_t length = strlen(name);
    return length > 0 && length < 64 &&
           strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.") ==
               length;
}

static int take_pair(void *context, const struct ini_pair *pair, struct error *error)
{
    struct config_reader *reader = context;
    bool empty = !pair->key[0]; /* what is missing is said when all is read */
    if (strcmp(pair->section, "bench") == 0 && empty)
        return 0;
    if (strcmp(pair->section, "bench") == 0)
        return put_key(bench_keys, BENCH_KEYS, reader->bench_given, reader->config, pair, error);
    if (strncmp(pair->section, "supply ", 7) == 0) {
        const char *name = pair->section + 7 + strspn(pair->section + 7, " ");
        if (!name_is_plain(name))
            return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                             "[supply NAME] with letters, digits, - _ . in the name", "found [%s]",
                             pair->section);
        struct supply_config *supply = find_supply(reader, name, pair, error);
        if (!supply)
            return -1;
        if (empty)
            return 0;
        return put_key(supply_keys, SUPPLY_KEYS,
                       reader->supply_given[supply - reader->config->supplies], supply, pair,
                       error);
    }
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "[bench] or [supply NAME]",
                     "unknown section [%s]", pair->section);
}

bool config_same_link(const struct supply_config *a, const struct supply_config *b)
{
    return a->link.kind == b->link.kind && strcmp(a->link.place, b->link.place) == 0 &&
           a->link.port == b->link.port;
}

static int check_supply(const struct config *config, int index, struct error *error)
{
    const struct supply_config *supply = &config->supplies[index];
    if (!supply->link.text[0] || !supply->profile[0])
        return error_set(error, EXIT_BAD_DATA, config->path, supply->line,
                         "link = LINK and profile = NAME", "[supply %s] has no %s", supply->name,
                         supply->link.text[0] ? "profile" : "link");
    for (int i = 0; i < index; i++) {
        const struct supply_config *other = &config->supplies[i];
        if (!config_same_link(other, supply))
            continue;
        if (other->output == supply->output && other->link.address == supply->link.address)
            return error_set(error, EXIT_BAD_DATA, config->path, supply->line,
                             "another link or output",
                             "[supply %s] has the same link and output as [supply %s]",
                             supply->name, other->name);
        if (strcmp(other->profile, supply->profile) != 0 || other->link.baud != supply->link.baud ||
            other->link.parity != supply->link.parity ||
            other->link.stop_bits != supply->link.stop_bits)
            return error_set(error, EXIT_BAD_DATA, config->path, supply->line,
                             "the same profile and line settings on a shared link",
                             "[supply %s] and [supply %s] share a link", supply->name, other->name);
    }
    return 0;
}

static int check(const struct config *config, struct error *error)
{
    if (!config->data[0])
        return error_set(error, EXIT_BAD_DATA, config->path, 0, "data = DIRECTORY",
                         "[bench] has no data");
    if (!config->tls_certificate[0] != !config->tls_key[0])
        return error_set(error, EXIT_BAD_DATA, config->path, 0, "both or neither",
                         "[bench] has %s alone",
                         config->tls_key[0] ? "tls_key" : "tls_certificate");
    for (int i = 0; i < config->supply_count; i++)
        if (check_supply(config, i, error) != 0)
            return -1;
    return 0;
}

int config_read(const char *path, struct config *config, struct error *error)
{
    *config = (struct config){0};
    snprintf(config->path, sizeof config->path, "%s", path);
    snprintf(config->name, sizeof config->name, "bench");
    snprintf(config->listen, sizeof config->listen, "127.0.0.1:8460");
    struct config_reader reader = {.config = config};
    config->supplies = calloc(MOST_SUPPLIES, sizeof *config->supplies);
    reader.supply_given = calloc(MOST_SUPPLIES, sizeof *reader.supply_given);
    int status = -1;
    if (!config->supplies || !reader.supply_given)
        error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
    else if (ini_file_read(path, take_pair, &reader, error) == 0)
        status = check(config, error);
    free(reader.supply_given);
    if (status != 0)
        config_clear(config);
    return status;
}

void config_clear(struct config *config)
{
    free(config->supplies);
    *config = (struct config){0};
}
