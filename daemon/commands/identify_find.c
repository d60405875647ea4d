/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "commands/identify_find.h"

#include "base/clock.h"
#include "base/number.h"
#include "supply/register_scan.h"
#include "supply/supply.h"

#include <fcntl.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { LONGEST_LINE = 200, SHOWN_READINGS = 3 };

struct talk {
    const struct link_spec *spec;
    const struct find_wishes *wishes;
    bool terminal;
    double said_s;
};

/* A line of standard input without its end; false: there are no more. */
static bool hear(char line[LONGEST_LINE])
{
    if (!fgets(line, LONGEST_LINE, stdin))
        return false;
    line[strcspn(line, "\r\n")] = '\0';
    return true;
}

static int ended(struct error *error)
{
    return error_set(error, EXIT_NO_INPUT, "standard input", 0, "an answer", "its end");
}

static int ask_number(const struct talk *talk, const char *question, double given, double *number,
                      struct error *error)
{
    char line[LONGEST_LINE];
    *number = given;
    while (!(*number > 0)) {
        if (!talk->wishes->json) {
            printf("%s ", question);
            fflush(stdout);
        }
        if (!hear(line))
            return ended(error);
        if (!number_parse_whole(line, number) || !(*number > 0)) {
            fprintf(stderr, "a number above 0 is needed, found \"%s\"\n", line);
            *number = 0;
        }
    }
    return 0;
}

/* "none", "joined", "other", or ohms and watts: "10,25". */
static bool read_load(const char *text, struct finder_supply *supply)
{
    static const char *const words[] = {"none", "", "joined", "other"};
    for (int i = 0; i < 4; i++) {
        if (words[i][0] && strcmp(words[i], text) == 0) {
            supply->load = (enum finder_load)i;
            return true;
        }
    }
    const char *rest = NULL;
    supply->load = FINDER_RESISTOR;
    return number_parse(text, &supply->load_ohm, &rest) && *rest == ',' &&
           number_parse_whole(rest + 1, &supply->load_W);
}

static int ask_load(const struct talk *talk, struct finder_supply *supply, struct error *error)
{
    char line[LONGEST_LINE] = "";
    if (talk->wishes->load)
        snprintf(line, sizeof line, "%s", talk->wishes->load);
    while (!read_load(line, supply)) {
        if (line[0])
            fprintf(stderr, "none, joined, other or OHM,W is needed, found \"%s\"\n", line);
        if (talk->wishes->load)
            return error_set(error, EXIT_USAGE, "--load", 0, "none, joined, other or OHM,W", "%s",
                             talk->wishes->load);
        if (!talk->wishes->json) {
            printf("What can be connected later on: a resistor (OHM,W, as 10,25), the leads\n"
                   "joined (joined), some load (other), nothing (none)? ");
            fflush(stdout);
        }
        if (!hear(line))
            return ended(error);
    }
    return 0;
}

static int ask_supply(const struct talk *talk, struct finder_supply *supply, struct error *error)
{
    const struct find_wishes *wishes = talk->wishes;
    const struct {
        const char *question;
        double given, *number;
    } questions[] = {
        {"The most the supply can give, V:", wishes->rated_V, &supply->rated_voltage_V},
        {"The most the supply can give, A:", wishes->rated_A, &supply->rated_current_A},
        {"The most that may be asked for now, V:", wishes->most_V, &supply->most_voltage_V},
        {"The most that may be asked for now, A:", wishes->most_A, &supply->most_current_A},
        {"The last digit of its panel, V (0.01):", wishes->step_V, &supply->step_V},
        {"The last digit of its panel, A (0.001):", wishes->step_A, &supply->step_A},
    };
    for (size_t i = 0; i < sizeof questions / sizeof *questions; i++)
        if (ask_number(talk, questions[i].question, questions[i].given, questions[i].number,
                       error) != 0)
            return -1;
    return ask_load(talk, supply, error);
}

static bool show_progress(void *context, size_t done, size_t of, size_t registers)
{
    struct talk *talk = context;
    double now_s = clock_monotonic_s();
    if (now_s < talk->said_s + (talk->terminal ? 0.1 : 2))
        return true;
    talk->said_s = now_s;
    fprintf(stderr,
            talk->terminal ? "\r%zu of %zu looked at, %zu registers\033[K"
                           : "%zu of %zu looked at, %zu registers\n",
            done, of, registers);
    fflush(stderr);
    return true;
}

static const char *state_word(enum finder_state state)
{
    static const char *const words[] = {"not yet", "found", "none"};
    return words[state];
}

static void print_findings(const struct talk *talk, const struct finder *finder)
{
    for (int i = 0; i < FINDER_QUANTITIES; i++) {
        struct finder_finding finding;
        finder_finding(finder, i, &finding);
        if (!talk->wishes->json) {
            printf("  %-17s %-8s %s\n", finder_quantity_name(i), state_word(finding.state),
                   finding.words);
            continue;
        }
        json_t *object = json_pack("{s:s, s:s, s:i, s:s}", "quantity", finder_quantity_name(i),
                                   "state", state_word(finding.state), "registers",
                                   finding.registers, "words", finding.words);
        json_dumpf(object, stdout, JSON_COMPACT);
        putchar('\n');
        json_decref(object);
    }
    fflush(stdout);
}

static void print_step(const struct talk *talk, const struct finder_step *step)
{
    static const char *const loads[] = {"nothing", "resistor", "joined", "load"};
    if (!talk->wishes->json) {
        printf("\nStep %d of %d. %s\n"
               "Enter when it is so%s; \"set V A\" where the knobs stand otherwise; \"back\" for "
               "the step before; \"end\".\n> ",
               step->number, step->of, step->words,
               step->output_on ? ", or what the panel shows then: \"V A\"" : "");
        fflush(stdout);
        return;
    }
    json_t *object =
        json_pack("{s:i, s:i, s:s, s:f, s:f, s:b, s:b, s:s}", "step", step->number, "of", step->of,
                  "words", step->words, "set_voltage_V", step->set_voltage_V, "set_limit_A",
                  step->set_limit_A, "output_on", step->output_on, "limited", step->limited,
                  "connected", loads[step->connected]);
    json_dumpf(object, stdout, JSON_COMPACT);
    putchar('\n');
    fflush(stdout);
    json_decref(object);
}

static bool two_numbers(const char *text, double *first, double *second)
{
    const char *rest = NULL;
    return number_parse(text, first, &rest) && number_parse_whole(rest, second);
}

/* 1: read now; 0: the step is asked again; -1: end. */
static int understand(struct finder *finder, const struct finder_step *step, const char *line,
                      struct finder_answer *answer)
{
    *answer = (struct finder_answer){NAN, NAN, NAN, NAN};
    const char *text = line + strspn(line, " \t");
    if (text[0] == '\0')
        return 1;
    if (strcmp(text, "end") == 0)
        return -1;
    if (strcmp(text, "back") == 0) {
        finder_take_back(finder);
        return 0;
    }
    if (strncmp(text, "set ", 4) == 0 &&
        two_numbers(text + 4, &answer->set_voltage_V, &answer->set_limit_A))
        return 1;
    if (step->output_on && two_numbers(text, &answer->shown_voltage_V, &answer->shown_current_A))
        return 1;
    fprintf(stderr, "not understood: \"%s\"\n", line);
    return 0;
}

/* A step that the finder refuses is asked again. */
static int go_through(const struct talk *talk, struct register_scan *scan, struct finder *finder,
                      size_t count, struct error *error)
{
    uint16_t *words = malloc(FINDER_LOOKS * count * sizeof *words);
    struct finder_step step;
    int result = words ? 0 : error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    while (result == 0 && finder_next(finder, &step)) {
        char line[LONGEST_LINE];
        struct finder_answer answer;
        print_step(talk, &step);
        if (!hear(line)) {
            result = ended(error);
            break;
        }
        int understood = understand(finder, &step, line, &answer);
        if (understood < 0)
            break;
        if (understood == 0)
            continue;
        fprintf(stderr, "Reading ...\n");
        result = register_scan_read(scan, words, error);
        struct error refused = {0};
        if (result == 0 && finder_add(finder, &answer, words, &refused) != 0)
            error_print(&refused);
        else if (result == 0)
            print_findings(talk, finder);
    }
    free(words);
    return result;
}

static int write_file(const char *path, const char *text, struct error *error)
{
    int descriptor = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
    FILE *file = descriptor >= 0 ? fdopen(descriptor, "w") : NULL;
    if (!file) {
        if (descriptor >= 0)
            close(descriptor);
        return error_set(error, EXIT_IO, path, 0, "a file that is not there yet", "%m");
    }
    bool written = fputs(text, file) >= 0;
    if (fclose(file) != 0 || !written)
        return error_set(error, EXIT_IO, path, 0, NULL, "it could not be written");
    return 0;
}

/* Through the profile as the daemon would read: what it is worth, shown. */
static int read_through(const struct talk *talk, struct error *error)
{
    struct profile *profile = profile_load(talk->wishes->write, error);
    struct connection *connection = profile ? connection_create(profile, talk->spec, error) : NULL;
    struct supply *supply = connection ? supply_create(connection, 1, false, error) : NULL;
    int result = supply && connection_open(connection, error) == 0 ? 0 : -1;
    for (int i = 0; i < SHOWN_READINGS && result == 0; i++) {
        struct reading reading;
        bool repeat = false;
        result = supply_read(supply, &reading, &repeat, error) == SUPPLY_OK ? 0 : -1;
        if (result == 0 && !talk->wishes->json)
            printf("  reads %.4f V, %.4f A%s\n", reading.voltage_V, reading.current_A,
                   reading.output_on == FLAG_NO ? ", output off" : "");
    }
    supply_destroy(supply);
    connection_destroy(connection);
    profile_destroy(profile);
    return result;
}

static int write_profile(const struct talk *talk, const struct finder *finder, struct error *error)
{
    char *text = finder_profile(finder, talk->spec->text);
    if (!text)
        return error_set(error, EXIT_BAD_DATA, talk->spec->text, 0, NULL,
                         "the voltage and current readbacks are not both known: no profile is "
                         "written");
    int result = write_file(talk->wishes->write, text, error);
    free(text);
    struct finder_finding set;
    finder_finding(finder, FINDER_SET_VOLTAGE, &set);
    if (result == 0 && set.state == FINDER_NONE)
        fprintf(stderr, "The set points are in none of the registers looked at: --from and --to "
                        "look elsewhere.\n");
    if (result == 0 && !talk->wishes->json)
        printf("\n%s is written. Fill in its accuracy; then it can stand in the configuration:\n\n"
               "  [supply supply-1]\n  link = %s\n  profile = %s\n\n",
               talk->wishes->write, talk->spec->text, talk->wishes->write);
    return result;
}

int identify_find(const struct link_spec *spec, const struct find_wishes *wishes)
{
    struct talk talk = {.spec = spec, .wishes = wishes, .terminal = isatty(STDERR_FILENO) != 0};
    struct error error = {0};
    struct finder_supply supply = {.load = FINDER_NOTHING};
    struct finder *finder = NULL;
    struct register_scan *scan = NULL;
    fprintf(stderr, "Nothing but reads (functions 3 and 4) goes out. No module on the leads while "
                    "registers are found.\nOpening a serial port toggles lines that reset some "
                    "devices.\n");
    int count = -1;
    if (ask_supply(&talk, &supply, &error) == 0 &&
        (finder = finder_create(&supply, &error)) != NULL &&
        (scan = register_scan_open(spec, &error)) != NULL)
        count = register_scan_find(scan, (int)wishes->from, (int)wishes->to, show_progress, &talk,
                                   &error);
    int result = -1;
    if (count > 0) {
        fprintf(stderr, "%s%d registers answer.\n", talk.terminal ? "\r\033[K" : "", count);
        result = finder_registers(finder, register_scan_registers(scan), (size_t)count);
    }
    if (result == 0)
        result = go_through(&talk, scan, finder, (size_t)count, &error);
    register_scan_close(scan);
    if (result == 0)
        result = write_profile(&talk, finder, &error);
    if (result == 0)
        result = read_through(&talk, &error);
    finder_destroy(finder);
    if (result == 0)
        return EXIT_OK;
    error_print(&error);
    return (int)error.status;
}
