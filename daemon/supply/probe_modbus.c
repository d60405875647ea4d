/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/probe_private.h"

#include "base/clock.h"
#include "supply/line_walk.h"
#include "supply/modbus_ask.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { GATEWAY_NO_PATH = 10, GATEWAY_NO_ANSWER = 11 };

static const double WAIT_S = 0.2;
static const double PATIENT_S = 1;

struct modbus_walk {
    const struct supply_probing *probing;
    struct modbus_asker asker;
    size_t done, of;
    int found;
    bool heard[256]; /* addresses told */
    int noisy_baud;  /* where something came that was no frame */
};

/* An exception is an answer too, unless it is a gateway's that finds nobody. */
static bool is_answer(enum modbus_answer answer, int code)
{
    return answer == MODBUS_ANSWER_WORDS || (answer == MODBUS_ANSWER_EXCEPTION &&
                                             code != GATEWAY_NO_PATH && code != GATEWAY_NO_ANSWER);
}

static const char *answer_words(enum modbus_answer answer, int code)
{
    if (answer == MODBUS_ANSWER_WORDS)
        return "answers";
    return is_answer(answer, code) ? "makes an exception" : "says nothing";
}

/* Installed profiles whose registers are there and read something the supply can
 * have: no proof, but something to hold against the front panel. */
static void try_profiles(struct supply_finding *finding)
{
    char directories[4][512];
    int count = profile_directories(directories);
    size_t used = strlen(finding->note);
    for (int i = 0; i < count; i++) {
        DIR *directory = opendir(directories[i]);
        const struct dirent *entry = NULL;
        while (directory && (entry = readdir(directory)) != NULL) {
            size_t length = strlen(entry->d_name);
            if (length < 5 || length > 60 || strcmp(entry->d_name + length - 4, ".ini") != 0)
                continue;
            char name[64];
            snprintf(name, sizeof name, "%.*s", (int)length - 4, entry->d_name);
            struct error error = {0};
            struct profile *profile = profile_load(name, &error);
            struct reading reading;
            if (profile && profile->speaks == PROFILE_MODBUS && !strstr(finding->note, name) &&
                probe_reads(profile, &finding->spec, 1, &reading, NULL, &error) && reading.valid &&
                used + 1 < sizeof finding->note)
                used += (size_t)snprintf(finding->note + used, sizeof finding->note - used,
                                         "; profile %s would read %.4g V, %.4g A there", name,
                                         reading.voltage_V, reading.current_A);
            profile_destroy(profile);
        }
        if (directory)
            closedir(directory);
    }
}

static void tell(struct modbus_walk *walk, const struct link_spec *spec)
{
    uint16_t word = 0;
    int codes[2] = {0, 0};
    enum modbus_answer answers[2];
    for (int i = 0; i < 2; i++) {
        walk->asker.timeout_s = PATIENT_S;
        answers[i] = modbus_ask(&walk->asker, spec->address, 3 + i, 0, 1, &word, &codes[i]);
    }
    struct supply_finding finding = {.spec = *spec, .modbus = true};
    line_walk_text(spec, finding.link);
    snprintf(finding.answer, sizeof finding.answer,
             "unit %d %s to function 3 and %s to function 4 at register 0", spec->address,
             answer_words(answers[0], codes[0]), answer_words(answers[1], codes[1]));
    walk->found++;
    walk->heard[spec->address] = true;
    /* The profiles open the link by themselves. */
    link_close(walk->asker.link);
    walk->asker.link = NULL;
    try_profiles(&finding);
    walk->probing->found(walk->probing->context, &finding);
}

static int open_link(struct modbus_walk *walk, const struct link_spec *spec, struct error *error)
{
    walk->asker.link = link_open(spec, 2, error);
    return walk->asker.link ? 0 : -1;
}

/* What looks like another unit's answer may be noise: that unit is asked itself, with
 * time for one that was late. */
static enum modbus_answer ask_other(struct modbus_asker *asker, int unit, int function, int *code)
{
    double timeout_s = asker->timeout_s;
    uint16_t word = 0;
    asker->timeout_s = fmin(3 * timeout_s, PATIENT_S);
    enum modbus_answer answer = modbus_ask(asker, unit, function, 0, 1, &word, code);
    asker->timeout_s = timeout_s;
    if (is_answer(answer, *code) || answer == MODBUS_ANSWER_GONE)
        return answer;
    return MODBUS_ANSWER_NOISE;
}

/* A unit may answer after the next one was asked: it is there all the same. */
static int try_one(struct modbus_walk *walk, const struct link_spec *spec, bool patient,
                   struct error *error)
{
    const struct supply_probing *probing = walk->probing;
    struct modbus_asker *asker = &walk->asker;
    if (!asker->link && open_link(walk, spec, error) != 0)
        return -1;
    if (spec->kind == LINK_MODBUS_RTU &&
        (spec->baud != asker->spec.baud || spec->parity != asker->spec.parity ||
         spec->stop_bits != asker->spec.stop_bits) &&
        link_set_line(asker->link, spec) != 0)
        return 0; /* the port does not have this rate */
    asker->spec = *spec;
    asker->timeout_s = patient ? PATIENT_S : probing->wait_s > 0 ? probing->wait_s : WAIT_S;
    for (int function = 3; function <= 4; function++) {
        uint16_t word = 0;
        int code = 0;
        enum modbus_answer answer = modbus_ask(asker, spec->address, function, 0, 1, &word, &code);
        struct link_spec heard = *spec;
        if (answer == MODBUS_ANSWER_OTHER_UNIT && !spec->address_given) {
            heard.address = code;
            answer = ask_other(asker, heard.address, function, &code);
        }
        if (answer == MODBUS_ANSWER_NOISE)
            walk->noisy_baud = spec->baud;
        if (is_answer(answer, code)) {
            if (!walk->heard[heard.address])
                tell(walk, &heard);
            return 0;
        }
        if (answer == MODBUS_ANSWER_GONE) {
            link_close(asker->link);
            asker->link = NULL;
            return open_link(walk, spec, error);
        }
        /* A supply without this function says so; one that is silent at the first
         * is silent at the second. */
        if (answer == MODBUS_ANSWER_SILENCE)
            return 0;
    }
    return 0;
}

/* The other addresses on the line that answered. */
static int walk_bus(struct modbus_walk *walk, const struct link_spec *line, struct error *error)
{
    for (int address = 1; address <= 247; address++) {
        if (walk->heard[address])
            continue;
        struct link_spec spec = *line;
        spec.address = address;
        char what[80];
        snprintf(what, sizeof what, "unit %d", address);
        if (walk->probing->trying)
            walk->probing->trying(walk->probing->context, what, (size_t)address, 247);
        if (try_one(walk, &spec, false, error) != 0)
            return -1;
    }
    return 0;
}

static int refuse(const struct modbus_walk *walk, const struct line_walk *lines,
                  struct error *error)
{
    const struct link_spec *spec = walk->probing->spec;
    if (walk->noisy_baud)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL,
                         "no Modbus unit answers in %zu tries, but something that is no frame "
                         "comes at %d baud: another dialect, or two units with one address?",
                         lines->count, walk->noisy_baud);
    if (lines->count <= 2)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "unit %d does not answer",
                         lines->tries[0].address);
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL,
                     "no Modbus unit answers in %zu tries of rate, parity and address",
                     lines->count);
}

int probe_modbus(const struct supply_probing *probing, struct error *error)
{
    struct line_walk lines = {0};
    if (line_walk_make(probing->spec, &lines) != 0)
        return error_set(error, EXIT_SOFTWARE, probing->spec->text, 0, NULL, "memory is out");
    struct modbus_walk walk = {.probing = probing, .of = lines.count};
    walk.asker.spec = *probing->spec;
    walk.asker.spec.baud = 0; /* set with the first try */
    int failed = 0;
    for (size_t i = 0; i < lines.count && !failed && walk.found == 0; i++) {
        struct link_spec spec = line_walk_spec(probing->spec, &lines.tries[i]);
        char line[80];
        char what[120];
        probe_line_words(&spec, line);
        snprintf(what, sizeof what, "%s%sunit %d", line, line[0] ? ", " : "", spec.address);
        if (probing->trying)
            probing->trying(probing->context, what, i, lines.count);
        failed = try_one(&walk, &spec, lines.tries[i].patient, error);
        if (walk.found > 0 && probing->all && !probing->spec->address_given)
            failed = walk_bus(&walk, &spec, error);
    }
    link_close(walk.asker.link);
    if (!failed && walk.found == 0)
        failed = refuse(&walk, &lines, error);
    line_walk_clear(&lines);
    return walk.found > 0 ? walk.found : failed;
}
