/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The register finder against made-up supplies: hundreds of random maps with
 * registers in them that mislead, and each thing that is to mislead it by itself. What
 * is found is held against the supply in states that the finder never saw.
 */
#include "supply/modbus_map.h"
#include "supply/register_finder.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

/* --- chance --- */

static uint64_t chance_state;

static uint32_t chance(void)
{
    chance_state = chance_state * 6364136223846793005ULL + 1442695040888963407ULL;
    return (uint32_t)(chance_state >> 33);
}

static int below(int most)
{
    return (int)(chance() % (uint32_t)most);
}

static double between(double low, double high)
{
    return low + (high - low) * chance() / 2147483648.0;
}

/* --- a supply --- */

enum { HOLDING = 400, INPUTS = 400 };

enum decoy {
    DECOY_POWER,
    DECOY_TIMER,
    DECOY_TEMPERATURE,
    DECOY_STATIC,
    DECOY_PROTECTION,
    DECOY_COUNTER,
    DECOY_HIGHEST,
    DECOY_PRESET,
    DECOY_ENERGY,
    DECOY_NOISE,
    DECOYS
};

struct slot {
    int function, address;
    enum register_type type;
    bool little, swapped;
    double scale;
};

struct supply {
    struct finder_supply given;
    /* voltage, current, set voltage, set limit; the second two may stand twice. */
    struct slot slots[4], mirrors[2];
    bool mirrored[2];
    int status_function, status_address, on_bit, limit_bit, beat_bit; /* -1: none */
    bool mode;          /* the status is a number: 0 off, 1 voltage, 2 limit */
    int switch_address; /* -1: none */
    struct {
        enum decoy kind;
        int function, address;
        double constant;
    } decoys[60];
    int decoy_count;
    double gain, offset_A;
    /* How it stands. */
    double set_V, set_A;
    bool on;
    enum finder_load connected;
    double volts, amperes;
    bool limited;
    double highest_V, energy;
    long looks;
    uint16_t words[2][HOLDING];
};

static void settle(struct supply *supply)
{
    double ohm = 1e9;
    if (supply->connected == FINDER_RESISTOR || supply->connected == FINDER_OTHER)
        ohm = supply->given.load_ohm;
    if (supply->connected == FINDER_JOINED)
        ohm = 0.02;
    supply->limited = supply->on && supply->set_V / ohm > supply->set_A;
    double ideal_V = supply->limited ? supply->set_A * ohm : supply->set_V;
    supply->volts = supply->on ? ideal_V * supply->gain : 0;
    supply->amperes = supply->on && ohm < 1e8 ? ideal_V / ohm * supply->gain : 0;
    supply->highest_V = fmax(supply->highest_V, supply->volts);
}

static void put(struct supply *supply, const struct slot *slot, double value)
{
    struct register_quantity quantity = {
        .type = slot->type, .little = slot->little, .swapped = slot->swapped, .scale = slot->scale};
    bool is_signed =
        slot->type == REGISTER_S16 || slot->type == REGISTER_S32 || slot->type == REGISTER_F32;
    int count = register_words(&quantity, is_signed ? value : fmax(value, 0),
                               &supply->words[slot->function - 3][slot->address]);
    assert_true(count > 0);
}

static uint16_t decoy_word(struct supply *supply, int i)
{
    double constant = supply->decoys[i].constant;
    switch (supply->decoys[i].kind) {
    case DECOY_POWER:
        return (uint16_t)lround(supply->volts * supply->amperes * (constant > 0.5 ? 10 : 100));
    case DECOY_TIMER:
        return (uint16_t)(supply->looks * 3 + (long)(constant * 1e4));
    case DECOY_TEMPERATURE:
        return (uint16_t)(250 + (long)(constant * 100) + supply->looks / 4 + below(2));
    case DECOY_PROTECTION:
        return (uint16_t)lround(supply->set_V * (1.1 + 0.1 * constant) * 100);
    case DECOY_COUNTER:
        return (uint16_t)(supply->looks + supply->on);
    case DECOY_HIGHEST:
        return (uint16_t)lround(supply->highest_V * 100);
    case DECOY_PRESET:
        return (uint16_t)lround(constant * supply->given.rated_voltage_V * 100);
    case DECOY_ENERGY:
        return (uint16_t)supply->energy;
    case DECOY_NOISE:
        return (uint16_t)chance();
    default:
        return (uint16_t)(constant * 65536);
    }
}

static uint16_t status_word(struct supply *supply)
{
    if (supply->mode)
        return supply->on ? (supply->limited ? 2 : 1) : 0;
    uint16_t word = 0x8000;
    if (supply->on)
        word |= (uint16_t)(1U << supply->on_bit);
    if (supply->limited && supply->limit_bit >= 0)
        word |= (uint16_t)(1U << supply->limit_bit);
    if (supply->beat_bit >= 0 && supply->looks % 2)
        word |= (uint16_t)(1U << supply->beat_bit);
    return word;
}

static void refresh(struct supply *supply)
{
    settle(supply);
    supply->looks++;
    supply->energy += supply->volts * supply->amperes * 0.3;
    for (int i = 0; i < supply->decoy_count; i++)
        supply->words[supply->decoys[i].function - 3][supply->decoys[i].address] =
            decoy_word(supply, i);
    bool floats = supply->slots[0].type == REGISTER_F32;
    double coarse = (floats ? 0.0013 : supply->slots[0].scale) * (below(3) - 1);
    double fine = (floats ? 0.00013 : supply->slots[1].scale) * (below(3) - 1);
    double idle = supply->on && supply->amperes == 0 ? supply->offset_A : 0;
    put(supply, &supply->slots[0], supply->volts + coarse);
    put(supply, &supply->slots[1], supply->amperes + idle + fine);
    put(supply, &supply->slots[2], supply->set_V);
    put(supply, &supply->slots[3], supply->set_A);
    for (int i = 0; i < 2; i++)
        if (supply->mirrored[i])
            put(supply, &supply->mirrors[i], i ? supply->set_A : supply->set_V);
    if (supply->status_address >= 0)
        supply->words[supply->status_function - 3][supply->status_address] = status_word(supply);
    if (supply->switch_address >= 0)
        supply->words[0][supply->switch_address] = supply->on;
}

/* --- made by chance --- */

static double scale_for(enum register_type type, double rated, double step)
{
    if (type == REGISTER_F32)
        return 1;
    static const double highest[] = {65535, 32767, 4294967295.0, 2147483647};
    double scale = step;
    if (below(2) && rated <= highest[type] * step / 10)
        scale = step / 10;
    return scale;
}

static struct slot slot_at(int function, int address, enum register_type type, bool little,
                           bool swapped, double rated, double step)
{
    return (struct slot){function, address, type, little, swapped, scale_for(type, rated, step)};
}

/* Blocks of registers, some apart; measured ones together, set points together. */
static struct supply make_supply(void)
{
    static const double volts[] = {20, 30, 32, 36, 60, 80};
    static const double amperes[] = {3, 5, 6, 10};
    struct supply supply = {.status_address = -1, .switch_address = -1};
    supply.given.rated_voltage_V = volts[below(6)];
    supply.given.rated_current_A = amperes[below(4)];
    supply.given.most_voltage_V = supply.given.rated_voltage_V * between(0.4, 1);
    supply.given.most_current_A = supply.given.rated_current_A * between(0.3, 1);
    supply.given.step_V = 0.01;
    supply.given.step_A = below(3) ? 0.001 : 0.01;
    supply.given.load = below(2) ? FINDER_RESISTOR : FINDER_JOINED;
    supply.given.load_ohm = between(2, 15);
    supply.given.load_W = between(30, 100);
    supply.gain = between(0.997, 1.003);
    supply.offset_A = between(-2, 2) * supply.given.step_A;
    int measured = 3 + below(2);
    int measured_at = 10 + below(100);
    int set_at = 200 + below(100);
    bool little = below(3) == 0;
    bool swapped = below(6) == 0;
    enum register_type type = (enum register_type)below(5);
    enum register_type set_type = below(2) ? type : (enum register_type)below(5);
    /* What cannot hold the supply's range does not exist. */
    if (type == REGISTER_S16 && supply.given.rated_voltage_V > 300)
        type = REGISTER_U16;
    int width = type < REGISTER_U32 ? 1 : 2;
    int set_width = set_type < REGISTER_U32 ? 1 : 2;
    int gap = below(3);
    const struct finder_supply *given = &supply.given;
    supply.slots[0] = slot_at(measured, measured_at, type, little, swapped, given->rated_voltage_V,
                              given->step_V);
    supply.slots[1] = slot_at(measured, measured_at + width + gap, type, little, swapped,
                              given->rated_current_A, given->step_A);
    supply.slots[2] =
        slot_at(3, set_at, set_type, little, swapped, given->rated_voltage_V, given->step_V);
    supply.slots[3] = slot_at(3, set_at + set_width, set_type, little, swapped,
                              given->rated_current_A, given->step_A);
    for (int i = 0; i < 2; i++) {
        supply.mirrored[i] = below(4) == 0;
        supply.mirrors[i] = supply.slots[2 + i];
        supply.mirrors[i].function = 3 + below(2);
        supply.mirrors[i].address = 310 + 10 * i;
    }
    if (below(5)) {
        supply.status_function = below(4) ? measured : 7 - measured;
        supply.status_address = measured_at + 2 * width + gap + below(6);
        supply.mode = below(4) == 0;
        supply.on_bit = below(5);
        supply.limit_bit = below(4) ? 5 + below(4) : -1;
        supply.beat_bit = below(3) ? -1 : 9 + below(4);
    }
    if (below(2))
        supply.switch_address = 340 + below(20);
    supply.decoy_count = 20 + below(40);
    for (int i = 0; i < supply.decoy_count; i++) {
        supply.decoys[i].kind = (enum decoy)below(DECOYS);
        supply.decoys[i].function = 3 + below(2);
        supply.decoys[i].address = 140 + below(50);
        supply.decoys[i].constant = between(0, 1);
    }
    return supply;
}

/* --- the finding --- */

static bool trace;

static struct finder *find(struct supply *supply, bool typed, int *steps)
{
    static struct finder_register registers[HOLDING + INPUTS];
    static uint16_t words[FINDER_LOOKS * (HOLDING + INPUTS)];
    struct error error = {0};
    struct finder *finder = finder_create(&supply->given, &error);
    /* A resistor that draws next to nothing is refused: the leads are joined then. */
    if (!finder && supply->given.load == FINDER_RESISTOR) {
        assert_string_equal(error.file, "load_ohm");
        supply->given.load = FINDER_JOINED;
        finder = finder_create(&supply->given, &error);
    }
    assert_non_null(finder);
    for (int i = 0; i < HOLDING + INPUTS; i++)
        registers[i] = (struct finder_register){i < HOLDING ? 3 : 4, i % HOLDING};
    assert_int_equal(finder_registers(finder, registers, HOLDING + INPUTS), 0);
    struct finder_step step;
    for (*steps = 0; finder_next(finder, &step); ++*steps) {
        if (trace)
            fprintf(stderr, "%d/%d %s\n", step.number, step.of, step.words);
        assert_true(step.set_voltage_V <= supply->given.most_voltage_V + 1e-9);
        assert_true(step.set_limit_A <= supply->given.most_current_A + 1e-9);
        assert_true(step.set_voltage_V > 0 && step.set_limit_A > 0);
        supply->set_V = step.set_voltage_V;
        supply->set_A = step.set_limit_A;
        supply->on = step.output_on;
        supply->connected = step.connected;
        settle(supply);
        assert_int_equal(supply->limited, step.limited);
        if (supply->connected == FINDER_RESISTOR)
            assert_true(supply->volts * supply->amperes <= supply->given.load_W);
        for (int look = 0; look < FINDER_LOOKS; look++) {
            refresh(supply);
            memcpy(words + (size_t)look * (HOLDING + INPUTS), supply->words, sizeof supply->words);
        }
        struct finder_answer answer = {NAN, NAN, NAN, NAN};
        if (typed && step.output_on) {
            double volts_V = supply->given.step_V;
            double amperes_A = supply->given.step_A;
            answer.shown_voltage_V = round(supply->volts / volts_V) * volts_V;
            answer.shown_current_A = round(supply->amperes / amperes_A) * amperes_A;
        }
        assert_int_equal(finder_add(finder, &answer, words, &error), 0);
        for (int i = 0; i < 50; i++)
            refresh(supply); /* time goes by while knobs are turned */
    }
    return finder;
}

static double decode(const struct supply *supply, const struct register_quantity *form)
{
    return register_number(form, &supply->words[form->function - 3][form->address]);
}

/* In states that the finder never saw: does what it found tell the truth? */
static bool right(struct supply *supply, const struct finder_finding *findings)
{
    for (int trial = 0; trial < 60; trial++) {
        supply->set_V = round(between(0.02, 1) * supply->given.rated_voltage_V * 100) / 100;
        supply->set_A = round(between(0.02, 1) * supply->given.rated_current_A * 100) / 100;
        supply->on = below(3) > 0;
        supply->connected = below(2) ? FINDER_NOTHING : FINDER_RESISTOR;
        refresh(supply);
        double truth[] = {supply->volts, supply->amperes, supply->set_V, supply->set_A};
        for (int i = 0; i < 4; i++) {
            if (findings[i].state != FINDER_FOUND)
                continue;
            double told = decode(supply, &findings[i].quantity);
            /* Below zero, as was never met (the profile says so): beyond the ratings. */
            if (i < 2 &&
                told > 1.05 * (i ? supply->given.rated_current_A : supply->given.rated_voltage_V))
                continue;
            double slack = 3 * fmax(supply->slots[i].scale, findings[i].quantity.scale) + 1e-6;
            if (supply->slots[i].type == REGISTER_F32)
                slack = 0.002;
            if (i == 1)
                slack += fabs(supply->offset_A);
            if (i >= 2 && supply->slots[i].type == REGISTER_F32)
                slack = 1e-5 * truth[i];
            else if (i >= 2)
                slack = 1.001 * fmax(supply->slots[i].scale, 1e-5);
            if (fabs(told - truth[i]) > slack) {
                fprintf(stderr, "%s: %s: tells %g where it is %g\n", finder_quantity_name(i),
                        findings[i].words, told, truth[i]);
                return false;
            }
        }
        for (int i = FINDER_OUTPUT_ON; i <= FINDER_LIMITED; i++) {
            const struct register_flag *flag = &findings[i].flag;
            if (findings[i].state != FINDER_FOUND || (i == FINDER_LIMITED && !supply->on))
                continue;
            bool wanted = i == FINDER_OUTPUT_ON ? supply->on : supply->limited;
            uint16_t word = supply->words[flag->function - 3][flag->address];
            if (register_flag(flag, word) != (wanted ? FLAG_YES : FLAG_NO)) {
                fprintf(stderr, "%s: %s: wrong at %04x\n", finder_quantity_name(i),
                        findings[i].words, word);
                return false;
            }
        }
    }
    return true;
}

static void write_profile(const struct finder *finder, const char *what)
{
    char *text = finder_profile(finder, what);
    assert_non_null(text);
    if (!text)
        return;
    char path[] = "/tmp/wakedraw-found-XXXXXX.ini";
    int descriptor = mkstemps(path, 4);
    assert_true(descriptor >= 0);
    assert_int_equal(write(descriptor, text, strlen(text)), (ssize_t)strlen(text));
    close(descriptor);
    struct error error = {0};
    struct profile *profile = profile_load(path, &error);
    if (!profile)
        fprintf(stderr, "%s:%ld: %s, expected %s\n%s", error.file, error.line, error.found,
                error.expected, text);
    assert_non_null(profile);
    if (!profile)
        return;
    assert_false(profile->modbus.set_voltage.known);
    assert_false(profile->modbus.set_output.known);
    profile_destroy(profile);
    unlink(path);
    free(text);
}

struct count {
    int missed[FINDER_QUANTITIES], open, steps;
};

static bool is_there(const struct supply *supply, enum finder_quantity quantity)
{
    if (quantity == FINDER_OUTPUT_ON)
        return supply->switch_address >= 0 || supply->status_address >= 0;
    if (quantity == FINDER_LIMITED)
        return supply->status_address >= 0 && (supply->mode || supply->limit_bit >= 0);
    return true;
}

/* Honest: which word is the high one shows above 65535 counts only, and so much is not
 * allowed, or the resistor does not draw it. */
static bool may_be_open(const struct supply *supply, enum finder_quantity quantity,
                        const struct finder_finding *finding)
{
    bool amperes = quantity == FINDER_CURRENT || quantity == FINDER_SET_LIMIT;
    double allowed = amperes ? supply->given.most_current_A : supply->given.most_voltage_V;
    bool resistor = quantity == FINDER_CURRENT && supply->given.load == FINDER_RESISTOR;
    return finding->state == FINDER_NOT_YET && finding->needs > 0 &&
           (resistor || finding->needs > allowed);
}

static void judge_finding(const struct supply *supply, enum finder_quantity quantity,
                          const struct finder_finding *finding, uint64_t seed, struct count *count)
{
    bool there = is_there(supply, quantity);
    if (trace)
        fprintf(stderr, "   %s: %d: %s\n", finder_quantity_name(quantity), (int)finding->state,
                finding->words);
    if (may_be_open(supply, quantity, finding))
        count->open++;
    else if (there && finding->state != FINDER_FOUND)
        count->missed[quantity]++;
    if (!there && finding->state == FINDER_FOUND)
        fail_msg("seed %llu: %s made up: %s", (unsigned long long)seed,
                 finder_quantity_name(quantity), finding->words);
}

static void judge_map(uint64_t seed, struct count *count)
{
    chance_state = seed * 2654435761U;
    chance();
    struct supply supply = make_supply();
    bool typed = below(2);
    int steps = 0;
    struct finder *finder = find(&supply, typed, &steps);
    struct finder_finding findings[FINDER_QUANTITIES];
    count->steps += steps;
    for (int i = 0; i < FINDER_QUANTITIES; i++) {
        finder_finding(finder, i, &findings[i]);
        judge_finding(&supply, i, &findings[i], seed, count);
    }
    if (!right(&supply, findings))
        fail_msg("seed %llu: wrong", (unsigned long long)seed);
    if (finder_is_enough(finder))
        write_profile(finder, "modbus-tcp:127.0.0.1:502");
    finder_destroy(finder);
}

/* TRACE=1 tells each step and finding, MAPS=1 looks at the first one alone. */
static void random_maps(void **state)
{
    (void)state;
    const char *seed = getenv("WAKEDRAW_TEST_SEED");
    const char *maps = getenv("MAPS");
    uint64_t first = seed ? strtoull(seed, NULL, 10) : 1;
    long total = maps ? strtol(maps, NULL, 10) : 400;
    struct count count = {.open = 0};
    trace = getenv("TRACE") != NULL;
    for (long i = 0; i < total; i++)
        judge_map(first + (uint64_t)i, &count);
    printf("seed %llu: %ld maps, %.2f steps each, %d word orders left open; missed:",
           (unsigned long long)first, total, (double)count.steps / (double)total, count.open);
    for (int i = 0; i < FINDER_QUANTITIES; i++)
        printf(" %s %d", finder_quantity_name(i), count.missed[i]);
    printf("\n");
    for (int i = 0; i < FINDER_QUANTITIES; i++)
        assert_int_equal(count.missed[i], 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_maps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
