/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_finder_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LEAST_LIMIT_COUNTS = 20 };

/* --- what was read --- */

static int refuse(struct error *error, const char *field, const char *expected, double found)
{
    return error_set(error, EXIT_USAGE, field, 0, expected, "%g", found);
}

static int check_supply(const struct finder_supply *supply, struct error *error)
{
    if (!(supply->rated_voltage_V >= 1 && supply->rated_voltage_V <= 1000))
        return refuse(error, "rated_voltage_V", "1 to 1000 V", supply->rated_voltage_V);
    if (!(supply->rated_current_A >= 0.05 && supply->rated_current_A <= 1000))
        return refuse(error, "rated_current_A", "0.05 to 1000 A", supply->rated_current_A);
    if (!(supply->step_V >= 1e-4 && supply->step_V * 50 <= supply->most_voltage_V))
        return refuse(error, "step_V", "0.0001 V to a fiftieth of the voltage allowed",
                      supply->step_V);
    if (!(supply->step_A >= 1e-5 && supply->step_A * 50 <= supply->most_current_A))
        return refuse(error, "step_A", "0.00001 A to a fiftieth of the current allowed",
                      supply->step_A);
    if (!(supply->most_voltage_V > 0 && supply->most_voltage_V <= supply->rated_voltage_V))
        return refuse(error, "most_voltage_V", "above 0, at most what the supply can give",
                      supply->most_voltage_V);
    if (!(supply->most_current_A > 0 && supply->most_current_A <= supply->rated_current_A))
        return refuse(error, "most_current_A", "above 0, at most what the supply can give",
                      supply->most_current_A);
    if (supply->load != FINDER_RESISTOR)
        return 0;
    if (!(supply->load_ohm >= 0.01 && supply->load_ohm <= 1e5))
        return refuse(error, "load_ohm", "0.01 to 100000 ohm", supply->load_ohm);
    if (!(supply->load_W > 0 && supply->load_W <= 1e5))
        return refuse(error, "load_W", "above 0 W", supply->load_W);
    double volts = finder_loaded_V(supply, supply->most_voltage_V, supply->most_current_A) * 0.41;
    double least_A = volts / supply->load_ohm * 0.25;
    if (least_A < LEAST_LIMIT_COUNTS * supply->step_A)
        return error_set(
            error, EXIT_USAGE, "load_ohm", 0, "a lower one, or a higher voltage allowed",
            "%g ohm draws too little for its limit to be set below it", supply->load_ohm);
    return 0;
}

struct finder *finder_create(const struct finder_supply *supply, struct error *error)
{
    if (check_supply(supply, error) != 0)
        return NULL;
    struct finder *finder = calloc(1, sizeof *finder);
    if (finder)
        finder->supply = *supply;
    else
        error_set(error, EXIT_SOFTWARE, "finder", 0, NULL, "memory is out");
    return finder;
}

void finder_destroy(struct finder *finder)
{
    if (!finder)
        return;
    for (int i = 0; i < finder->done; i++)
        free(finder->steps[i].words);
    free(finder->registers);
    free(finder);
}

int finder_registers(struct finder *finder, const struct finder_register *registers, size_t count)
{
    if (count > FINDER_MOST_REGISTERS || finder->registers)
        return -1;
    finder->registers = malloc((count + 1) * sizeof *registers);
    if (!finder->registers)
        return -1;
    memcpy(finder->registers, registers, count * sizeof *registers);
    finder->count = count;
    return 0;
}

/* Above what is allowed nothing was asked for: a slip of the keys, or of the knob. */
static int check_answer(const struct finder *finder, const struct finder_answer *answer,
                        struct error *error)
{
    const struct finder_supply *supply = &finder->supply;
    if (!(answer->set_voltage_V > 0 &&
          answer->set_voltage_V <= supply->most_voltage_V + 2 * supply->step_V))
        return refuse(error, "set_voltage_V", "above 0, at most the voltage allowed",
                      answer->set_voltage_V);
    if (!(answer->set_limit_A > 0 &&
          answer->set_limit_A <= supply->most_current_A + 2 * supply->step_A))
        return refuse(error, "set_limit_A", "above 0, at most the current allowed",
                      answer->set_limit_A);
    if (answer->shown_voltage_V < 0 || answer->shown_voltage_V > 1.2 * supply->rated_voltage_V)
        return refuse(error, "shown_voltage_V", "what the supply can give",
                      answer->shown_voltage_V);
    if (answer->shown_current_A < 0 || answer->shown_current_A > 1.2 * supply->rated_current_A)
        return refuse(error, "shown_current_A", "what the supply can give",
                      answer->shown_current_A);
    return 0;
}

/* --- findings --- */

const char *finder_quantity_name(enum finder_quantity quantity)
{
    static const char *const names[] = {"voltage",   "current",       "set voltage",
                                        "set limit", "output on/off", "in current limit"};
    return names[quantity];
}

static bool is_planned(const struct finder *finder)
{
    return finder->done < finder_planned(finder);
}

/* Several that hold the same are believed once a further step did not part them. */
static enum finder_state state_of(const struct finder *finder, enum finder_quantity quantity,
                                  int registers)
{
    if (is_planned(finder))
        return FINDER_NOT_YET;
    if (registers == 0)
        return FINDER_NONE;
    return registers == 1 || finder_had_extra(finder, quantity) ? FINDER_FOUND : FINDER_NOT_YET;
}

static void say_others(struct finder_finding *finding)
{
    size_t used = strlen(finding->words);
    if (finding->registers > 1)
        snprintf(finding->words + used, sizeof finding->words - used, "%s",
                 finding->state == FINDER_FOUND
                     ? "; others hold the same in every step"
                     : "; others hold the same so far: another step may tell them apart");
}

static void keep_order(struct finder_numbers *numbers, bool little)
{
    for (int i = 0; i < 4; i++) {
        size_t kept = 0;
        for (size_t j = 0; j < numbers->counts[i]; j++)
            if (numbers->fits[i][j].shown || numbers->fits[i][j].form.little == little)
                numbers->fits[i][kept++] = numbers->fits[i][j];
        numbers->counts[i] = kept;
    }
}

/* Where the order of one number has shown, that of the others is taken to be the same;
 * where none has, all together may say enough. */
static void settle_orders(struct finder_numbers *numbers)
{
    static const double enough = 3;
    int shown[2] = {0};
    double steadier[2] = {0};
    for (int i = 0; i < 4; i++) {
        if (numbers->best[i] < 0)
            continue;
        const struct finder_fit *best = &numbers->fits[i][numbers->best[i]];
        if (best->shown && register_width(best->form.type) == 2)
            shown[best->form.little]++;
        steadier[best->form.little] += best->steadier;
    }
    double little = steadier[1] - steadier[0];
    if (!shown[0] != !shown[1])
        keep_order(numbers, shown[1] > 0);
    else if (!shown[0] && fabs(little) > enough)
        keep_order(numbers, little > 0);
}

static void choose(struct finder_numbers *numbers)
{
    for (int i = 0; i < 4; i += 2)
        finder_pair(numbers->fits[i], numbers->counts[i], numbers->fits[i + 1],
                    numbers->counts[i + 1], i == 2, &numbers->best[i], &numbers->best[i + 1]);
}

static void find_numbers(const struct finder *finder, struct finder_numbers *numbers)
{
    for (int i = 0; i < 4; i++)
        numbers->counts[i] = finder_fits(finder, i, numbers->fits[i]);
    choose(numbers);
    settle_orders(numbers);
    choose(numbers);
}

static void find_number(const struct finder_numbers *numbers, const struct finder *finder,
                        enum finder_quantity quantity, struct finder_finding *finding)
{
    static const char *const types[] = {"u16", "s16", "u32", "s32", "f32"};
    int best = numbers->best[quantity];
    const struct finder_fit *fits = numbers->fits[quantity];
    size_t count = numbers->counts[quantity];
    finding->registers = finder_places(fits, count);
    finding->state = state_of(finder, quantity, finding->registers);
    if (best < 0)
        return;
    finding->quantity = fits[best].form;
    const struct register_quantity *form = &finding->quantity;
    size_t used = (size_t)snprintf(
        finding->words, sizeof finding->words, "function %d, register %d, %s, %s%s, scale %g",
        form->function, form->address, types[form->type], form->little ? "little" : "big",
        form->swapped ? "-swapped" : "", form->scale);
    if (!finder_order_is_open(fits, count, best))
        return;
    finding->state = FINDER_NOT_YET;
    bool whole = form->type != REGISTER_F32;
    if (whole)
        finding->needs = 65536 * 1.02 * form->scale;
    if (whole)
        snprintf(finding->words + used, sizeof finding->words - used,
                 "; or the other word order: that shows above %g only", 65536 * form->scale);
    else
        snprintf(finding->words + used, sizeof finding->words - used,
                 "; or the other word order, a register further: another step may tell");
}

static void find_flag(const struct finder_numbers *numbers, const struct finder *finder,
                      enum finder_quantity quantity, struct finder_finding *finding)
{
    finding->registers = finder_state_fits(finder, quantity, numbers, &finding->flag);
    finding->state = state_of(finder, quantity, finding->registers);
    const struct register_flag *flag = &finding->flag;
    if (!flag->known)
        return;
    size_t used = (size_t)snprintf(finding->words, sizeof finding->words,
                                   "function %d, register %d, ", flag->function, flag->address);
    if (flag->bits < 16)
        snprintf(finding->words + used, sizeof finding->words - used, "bit %d%s", flag->bit,
                 flag->inverted ? ", inverted" : "");
    else
        snprintf(finding->words + used, sizeof finding->words - used, "%s %d%s",
                 flag->value_count > 1 ? "values" : "value", flag->values[0],
                 flag->value_count > 1 ? " and more" : "");
}

static void find_all(struct finder *finder)
{
    struct finder_numbers numbers;
    memset(finder->findings, 0, sizeof finder->findings);
    find_numbers(finder, &numbers);
    for (int i = 0; i < FINDER_QUANTITIES; i++) {
        if (i <= FINDER_SET_LIMIT)
            find_number(&numbers, finder, i, &finder->findings[i]);
        else
            find_flag(&numbers, finder, i, &finder->findings[i]);
        say_others(&finder->findings[i]);
    }
}

void finder_finding(const struct finder *finder, enum finder_quantity quantity,
                    struct finder_finding *finding)
{
    *finding = finder->findings[quantity];
}

int finder_add(struct finder *finder, const struct finder_answer *answer, const uint16_t *words,
               struct error *error)
{
    struct finder_done done = {.answer = *answer};
    if (finder->done == FINDER_MOST_STEPS || !finder_next(finder, &done.step))
        return error_set(error, EXIT_USAGE, "step", 0, NULL, "no step is asked for");
    if (isnan(answer->set_voltage_V))
        done.answer.set_voltage_V = done.step.set_voltage_V;
    if (isnan(answer->set_limit_A))
        done.answer.set_limit_A = done.step.set_limit_A;
    if (check_answer(finder, &done.answer, error) != 0)
        return -1;
    if (done.step.connected == FINDER_OTHER && isnan(answer->shown_current_A))
        return error_set(error, EXIT_USAGE, "shown_current_A", 0,
                         "what the panel shows: nobody else knows what this load draws", "nothing");
    done.step.set_voltage_V = done.answer.set_voltage_V;
    done.step.set_limit_A = done.answer.set_limit_A;
    size_t size = FINDER_LOOKS * finder->count * sizeof *words;
    done.words = malloc(size + 1);
    if (!done.words)
        return error_set(error, EXIT_SOFTWARE, "step", 0, NULL, "memory is out");
    memcpy(done.words, words, size);
    finder->steps[finder->done++] = done;
    find_all(finder);
    return 0;
}

void finder_take_back(struct finder *finder)
{
    if (finder->done == 0)
        return;
    finder->done--;
    free(finder->steps[finder->done].words);
    finder->steps[finder->done].words = NULL;
    find_all(finder);
}

bool finder_is_enough(const struct finder *finder)
{
    struct finder_finding voltage;
    struct finder_finding current;
    finder_finding(finder, FINDER_VOLTAGE, &voltage);
    finder_finding(finder, FINDER_CURRENT, &current);
    return voltage.state == FINDER_FOUND && current.state == FINDER_FOUND;
}
