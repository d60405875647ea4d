/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A hand on one output, by the supply room itself: opens PROFILE on LINK, then does
 * what it is told line by line ("read", "set VOLTS AMPERES", "on", "off") and says in
 * one line what came of it. Recordings are made and replayed by it.
 */
#include "supply/supply.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *flag_word(enum known_flag flag)
{
    return flag == FLAG_UNKNOWN ? "unknown" : flag == FLAG_YES ? "yes" : "no";
}

static void say(const char *what, const struct error *error)
{
    printf("%s%s%s\n", what, error ? ": " : "", error ? error->found : "");
    fflush(stdout);
}

static void open_again(struct connection *connection)
{
    struct error error = {0};
    if (connection_open(connection, &error) != 0) {
        say("not open", &error);
        return;
    }
    struct wire_state state;
    connection_wire_state(connection, &state);
    printf("open %s\n", state.identity);
    fflush(stdout);
}

static void read_one(struct connection *connection, struct supply *supply)
{
    struct error error = {0};
    struct reading reading;
    bool repeat = false;
    enum supply_result result = supply_read(supply, &reading, &repeat, &error);
    if (result == SUPPLY_GONE) {
        connection_close(connection);
        say("gone", &error);
        return;
    }
    if (result != SUPPLY_OK) {
        say("no reading", &error);
        return;
    }
    printf("reading %.4f V %.5f A, on %s, limited %s%s\n", reading.voltage_V, reading.current_A,
           flag_word(reading.output_on), flag_word(reading.limited),
           reading.valid ? "" : ", not valid");
    fflush(stdout);
}

static void change(struct supply *supply, const char *line)
{
    struct error error = {0};
    double voltage_V = 0;
    char *rest = NULL;
    enum supply_result result = SUPPLY_NO_READING;
    if (strncmp(line, "set ", 4) == 0) {
        voltage_V = strtod(line + 4, &rest);
        result = supply_set(supply, voltage_V, strtod(rest, NULL), &error);
    } else {
        result = supply_switch_output(supply, strcmp(line, "on") == 0, &error);
    }
    if (result == SUPPLY_OK)
        say("done", NULL);
    else
        say("refused", &error);
}

int main(int argc, char **argv)
{
    struct error error = {0};
    struct link_spec spec;
    if (argc != 5) {
        fprintf(stderr, "hand PROFILE LINK OUTPUT on|off\n");
        return EXIT_USAGE;
    }
    struct profile *profile = profile_load(argv[1], &error);
    struct connection *connection = NULL;
    struct supply *supply = NULL;
    if (profile && link_parse(argv[2], &spec, &error) == 0)
        connection = connection_create(profile, &spec, &error);
    if (connection)
        supply = supply_create(connection, (int)strtol(argv[3], NULL, 10),
                               strcmp(argv[4], "on") == 0, &error);
    if (!supply) {
        error_print(&error);
        return EXIT_USAGE;
    }
    char line[200];
    while (fgets(line, sizeof line, stdin)) {
        line[strcspn(line, "\n")] = '\0';
        if (strcmp(line, "open") == 0)
            open_again(connection);
        else if (strcmp(line, "read") == 0)
            read_one(connection, supply);
        else
            change(supply, line);
    }
    supply_destroy(supply);
    connection_destroy(connection);
    profile_destroy(profile);
    return EXIT_OK;
}
