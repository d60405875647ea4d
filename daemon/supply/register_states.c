/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_finder_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The states a supply is in: off; on and holding its voltage; on and in its limit. */
enum { STATE_OFF, STATE_VOLTAGE, STATE_LIMIT, STATES };

/* So many other bits of a status register may move by themselves. */
enum { MOST_RESTLESS = 3 };

/* A register over all steps: what it held in each state, and which bits did not stay
 * the same within one state. */
struct behaviour {
    int seen[STATES]; /* steps */
    uint16_t word[STATES];
    uint16_t restless; /* in any state */
    uint16_t idle;     /* of them, with the output off */
};

static int state_of(const struct finder_step *step)
{
    if (!step->output_on)
        return STATE_OFF;
    return step->limited ? STATE_LIMIT : STATE_VOLTAGE;
}

static struct behaviour watch(const struct finder *finder, size_t i)
{
    struct behaviour behaviour = {.restless = 0};
    for (int step = 0; step < finder->done; step++) {
        int state = state_of(&finder->steps[step].step);
        for (int look = 0; look < FINDER_LOOKS; look++) {
            uint16_t word = finder_word(finder, step, look, i);
            if (behaviour.seen[state] == 0 && look == 0)
                behaviour.word[state] = word;
            uint16_t moved = behaviour.word[state] ^ word;
            behaviour.restless |= moved;
            if (state == STATE_OFF)
                behaviour.idle |= moved;
        }
        behaviour.seen[state]++;
    }
    return behaviour;
}

static int bits_in(uint16_t word)
{
    return __builtin_popcount(word);
}

static int fits_bit(const struct behaviour *behaviour, const int answer[STATES], int bit,
                    bool *inverted)
{
    for (int turned = 0; turned < 2; turned++) {
        bool good = true;
        for (int state = 0; state < STATES; state++) {
            if (behaviour->seen[state] == 0 || answer[state] < 0)
                continue;
            int set = behaviour->word[state] >> bit & 1;
            good = good && (set ^ turned) == answer[state];
        }
        if (good) {
            *inverted = turned;
            return true;
        }
    }
    return false;
}

/* All of the register is a number that means yes in some states and no in others. */
static bool fits_number(const struct behaviour *behaviour, const int answer[STATES],
                        struct register_flag *flag)
{
    for (int a = 0; a < STATES; a++)
        for (int b = 0; b < STATES; b++)
            if (behaviour->seen[a] && behaviour->seen[b] && answer[a] == 1 && answer[b] == 0 &&
                behaviour->word[a] == behaviour->word[b])
                return false;
    flag->bit = 0;
    flag->bits = 16;
    flag->value_count = 0;
    for (int state = 0; state < STATES; state++) {
        if (!behaviour->seen[state] || answer[state] != 1)
            continue;
        bool there = false;
        for (int i = 0; i < flag->value_count; i++)
            there = there || flag->values[i] == behaviour->word[state];
        if (!there)
            flag->values[flag->value_count++] = behaviour->word[state];
    }
    return true;
}

struct choice {
    const struct finder *finder;
    const struct finder_numbers *numbers;
    struct register_quantity near; /* the voltage, where it is known */
    double best;
    int registers;
    size_t last; /* register counted last */
    struct register_flag *flag;
};

static void take(struct choice *choice, size_t i, struct register_flag flag, double cost)
{
    const struct finder_register *at = &choice->finder->registers[i];
    if (choice->registers == 0 || choice->last != i) {
        choice->registers++;
        choice->last = i;
    }
    if (choice->near.known) {
        cost += at->function == choice->near.function ? 0 : 40;
        cost += fmin(abs(at->address - choice->near.address), 200) / 4;
    }
    cost += at->address / 65536.0;
    if (cost >= choice->best)
        return;
    choice->best = cost;
    flag.known = true;
    flag.function = at->function;
    flag.address = at->address;
    *choice->flag = flag;
}

/* Does it hold one of the numbers, or a part of one? */
static bool is_number(const struct choice *choice, size_t i)
{
    const struct finder_register *at = &choice->finder->registers[i];
    for (int quantity = 0; quantity < 4; quantity++) {
        for (size_t j = 0; j < choice->numbers->counts[quantity]; j++) {
            const struct register_quantity *form = &choice->numbers->fits[quantity][j].form;
            if (at->function == form->function && at->address >= form->address &&
                at->address < form->address + register_width(form->type))
                return true;
        }
    }
    return false;
}

/* A register with numbers in it differs between two steps of one state; a status
 * register does not, but for a bit or two that live their own life, with the output
 * off too. */
static void try_states(struct choice *choice, size_t i, const int answer[STATES], double cost)
{
    struct behaviour behaviour = watch(choice->finder, i);
    int restless = bits_in(behaviour.restless);
    if (restless > MOST_RESTLESS || behaviour.restless != behaviour.idle || is_number(choice, i))
        return;
    cost += 100.0 * restless;
    bool found = false;
    for (int bit = 0; bit < 16; bit++) {
        struct register_flag flag = {.bit = bit};
        if (behaviour.restless >> bit & 1 || !fits_bit(&behaviour, answer, bit, &flag.inverted))
            continue;
        take(choice, i, flag, cost + bit * 0.1 + (flag.inverted ? 20 : 0));
        found = true;
    }
    struct register_flag flag = {.bit = 0};
    if (!found && restless == 0 && fits_number(&behaviour, answer, &flag))
        take(choice, i, flag, cost + 10);
}

static bool enough_seen(const struct finder *finder, enum finder_quantity quantity)
{
    int seen[STATES] = {0};
    int turns = 0;
    int before = -1;
    for (int i = 0; i < finder->done; i++) {
        int state = state_of(&finder->steps[i].step);
        int yes = quantity == FINDER_LIMITED ? state == STATE_LIMIT : state != STATE_OFF;
        turns += before >= 0 && yes != before;
        before = yes;
        seen[state]++;
    }
    if (quantity == FINDER_LIMITED)
        return seen[STATE_LIMIT] >= 2 && seen[STATE_VOLTAGE] >= 2;
    return turns >= 2 && seen[STATE_OFF] >= 2 && seen[STATE_VOLTAGE] >= 2;
}

int finder_state_fits(const struct finder *finder, enum finder_quantity quantity,
                      const struct finder_numbers *numbers, struct register_flag *flag)
{
    static const int output[STATES] = {0, 1, 1};
    static const int limited[STATES] = {0, 0, 1};
    static const int limited_off_too[STATES] = {-1, 0, 1};
    struct choice choice = {.finder = finder, .numbers = numbers, .best = INFINITY, .flag = flag};
    if (numbers->best[FINDER_VOLTAGE] >= 0)
        choice.near = numbers->fits[FINDER_VOLTAGE][numbers->best[FINDER_VOLTAGE]].form;
    memset(flag, 0, sizeof *flag);
    if (!enough_seen(finder, quantity))
        return 0;
    for (size_t i = 0; i < finder->count; i++)
        try_states(&choice, i, quantity == FINDER_LIMITED ? limited : output, 0);
    for (size_t i = 0; quantity == FINDER_LIMITED && choice.registers == 0 && i < finder->count;
         i++)
        try_states(&choice, i, limited_off_too, 0);
    return choice.registers;
}

bool finder_switch(const struct finder *finder, struct register_flag *flag, int *on_value,
                   int *off_value)
{
    if (!enough_seen(finder, FINDER_OUTPUT_ON))
        return false;
    int least = 4; /* likelier: two small numbers */
    bool found = false;
    for (size_t i = 0; i < finder->count; i++) {
        struct behaviour behaviour = watch(finder, i);
        bool same_on = behaviour.seen[STATE_LIMIT] == 0 ||
                       behaviour.word[STATE_LIMIT] == behaviour.word[STATE_VOLTAGE];
        if (finder->registers[i].function != 3 || behaviour.restless || !same_on ||
            behaviour.word[STATE_OFF] == behaviour.word[STATE_VOLTAGE] ||
            behaviour.word[STATE_OFF] + behaviour.word[STATE_VOLTAGE] >= least)
            continue;
        least = behaviour.word[STATE_OFF] + behaviour.word[STATE_VOLTAGE];
        *flag = (struct register_flag){
            .known = true, .function = 3, .address = finder->registers[i].address, .bits = 16};
        *on_value = behaviour.word[STATE_VOLTAGE];
        *off_value = behaviour.word[STATE_OFF];
        found = true;
    }
    return found;
}
