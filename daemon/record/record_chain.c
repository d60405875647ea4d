/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/record_chain.h"

#include <gnutls/crypto.h>
#include <gnutls/gnutls.h>
#include <stdio.h>
#include <string.h>

enum { HASH_BYTES = 32 };

char *record_canonical(const json_t *content)
{
    return json_dumps(content, JSON_SORT_KEYS | JSON_COMPACT | JSON_REAL_PRECISION(17));
}

static int hash_parts(gnutls_hash_hd_t hash, const char *previous, const char *content)
{
    if (gnutls_hash(hash, previous, strlen(previous)) < 0 || gnutls_hash(hash, "\n", 1) < 0 ||
        gnutls_hash(hash, content, strlen(content)) < 0)
        return -1;
    return 0;
}

int record_hash(const char *previous, const char *content, char hash[RECORD_HASH_ROOM])
{
    gnutls_hash_hd_t running;
    if (gnutls_hash_init(&running, GNUTLS_DIG_SHA256) < 0)
        return -1;
    int status = hash_parts(running, previous, content);
    unsigned char bytes[HASH_BYTES];
    gnutls_hash_deinit(running, bytes);
    for (int i = 0; status == 0 && i < HASH_BYTES; i++)
        snprintf(hash + 2 * (size_t)i, 3, "%02x", bytes[i]);
    return status;
}

static int check_place(const struct record_chain *chain, const struct record_link *link,
                       const char *name, struct error *error)
{
    if (link->number < 1)
        return error_set(error, EXIT_BAD_DATA, name, 0, "1 or more", "is no number of a record");
    if (chain->begun && link->number != chain->last_number + 1) {
        char expected[60];
        snprintf(expected, sizeof expected, "record %lld", (long long)chain->last_number + 1);
        return error_set(error, EXIT_BAD_DATA, name, 0, expected, "follows record %lld",
                         (long long)chain->last_number);
    }
    if ((link->number == 1) != (link->previous_hash[0] == '\0'))
        return error_set(error, EXIT_BAD_DATA, name, 0,
                         "the hash of the record before it, or none for record 1",
                         "found \"%.64s\"", link->previous_hash);
    if (chain->begun && strcmp(link->previous_hash, chain->last_hash) != 0)
        return error_set(error, EXIT_BAD_DATA, name, 0, chain->last_hash,
                         "names \"%.64s\" as its predecessor's hash", link->previous_hash);
    return 0;
}

int record_chain_take(struct record_chain *chain, const struct record_link *link,
                      struct error *error)
{
    char name[40];
    char hash[RECORD_HASH_ROOM];
    snprintf(name, sizeof name, "record %lld", (long long)link->number);
    if (check_place(chain, link, name, error) != 0)
        return -1;
    if (record_hash(link->previous_hash, link->content, hash) != 0)
        return error_set(error, EXIT_SOFTWARE, name, 0, NULL, "cannot be hashed");
    if (strcmp(hash, link->hash) != 0)
        return error_set(error, EXIT_BAD_DATA, name, 0, hash,
                         "was changed: its content does not have the hash \"%.64s\"", link->hash);
    chain->begun = true;
    chain->last_number = link->number;
    memcpy(chain->last_hash, hash, sizeof hash);
    return 0;
}
