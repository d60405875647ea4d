/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "commands/identify_walk.h"

#include "base/clock.h"
#include "supply/supply_probe.h"

#include <jansson.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const double SAID_EVERY_S = 1;

struct walking {
    bool json, terminal;
    double said_s;
    int sections; /* written for all links of this call */
    int modbus;   /* of them, units */
};

/* One line, written over on a terminal, else now and then. */
static void trying(void *context, const char *what, size_t done, size_t of)
{
    struct walking *walking = context;
    double now_s = clock_monotonic_s();
    if (!what[0])
        return; /* there is no line to set */
    if (walking->terminal)
        fprintf(stderr, "\r%zu of %zu: %s\033[K", done + 1, of, what);
    else if (done == 0 || now_s > walking->said_s + SAID_EVERY_S)
        fprintf(stderr, "%zu of %zu: %s\n", done + 1, of, what);
    else
        return;
    walking->said_s = now_s;
    fflush(stderr);
}

static void print_json(const struct supply_finding *finding)
{
    json_t *object =
        json_pack("{s:s, s:s, s:o, s:o, s:s, s:b, s:o, s:o, s:o, s:o}", "link", finding->link,
                  "answer", finding->answer, "profile",
                  finding->profile[0] ? json_string(finding->profile) : json_null(), "outputs",
                  finding->outputs > 0 ? json_integer(finding->outputs) : json_null(), "note",
                  finding->note, "arrays", finding->arrays, "baud",
                  finding->spec.baud ? json_integer(finding->spec.baud) : json_null(), "parity",
                  finding->spec.baud ? json_string(finding->spec.parity == 'N'   ? "none"
                                                   : finding->spec.parity == 'E' ? "even"
                                                                                 : "odd")
                                     : json_null(),
                  "stop", finding->spec.baud ? json_integer(finding->spec.stop_bits) : json_null(),
                  "address", finding->modbus ? json_integer(finding->spec.address) : json_null());
    json_dumpf(object, stdout, JSON_COMPACT);
    putchar('\n');
    json_decref(object);
}

static void print_sections(struct walking *walking, const struct supply_finding *finding)
{
    int outputs = finding->outputs > 0 ? finding->outputs : 1;
    printf("\n  for the configuration:\n");
    for (int output = 1; output <= outputs; output++) {
        walking->sections++;
        printf("\n  [supply supply-%d]\n  link = %s\n", walking->sections, finding->link);
        if (finding->profile[0])
            printf("  profile = %s\n", finding->profile);
        else
            printf("  profile = PATH.ini\n");
        if (outputs > 1)
            printf("  output = %d\n", output);
    }
    if (finding->modbus)
        printf("\n  and for the profile, where its registers are not written down:\n"
               "  wakedraw identify --find-registers --write PATH.ini '%s'\n",
               finding->link);
    printf("\n");
}

static void found(void *context, const struct supply_finding *finding)
{
    struct walking *walking = context;
    if (walking->terminal)
        fprintf(stderr, "\r\033[K");
    if (walking->json) {
        print_json(finding);
    } else {
        printf("%s: %s\n", finding->link, finding->answer);
        if (finding->profile[0])
            printf("  try --profile %s%s%s\n", finding->profile, finding->note[0] ? ": " : "",
                   finding->note);
        else if (finding->modbus)
            printf("  Modbus does not say which registers hold volts and amperes%s\n",
                   finding->note);
        else
            printf("  %s\n", finding->note);
        print_sections(walking, finding);
    }
    fflush(stdout);
}

int identify_walk(const struct link_spec *spec, bool all, double wait_s, bool json)
{
    struct walking walking = {.json = json, .terminal = isatty(STDERR_FILENO) != 0};
    struct supply_probing probing = {
        .spec = spec,
        .all = all,
        .wait_s = wait_s,
        .trying = trying,
        .found = found,
        .context = &walking,
    };
    struct error error = {0};
    if (spec->kind == LINK_SERIAL || spec->kind == LINK_MODBUS_RTU)
        fprintf(stderr,
                "Opening %s toggles its lines, which resets or starts some devices; "
                "only questions are sent.\n",
                spec->place);
    int count = supply_probe(&probing, &error);
    if (walking.terminal)
        fprintf(stderr, "\r\033[K");
    if (count > 0)
        return EXIT_OK;
    error_print(&error);
    return (int)error.status;
}
