/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/power_up.h"

#include "signature/rest.h"

#include <math.h>
#include <stdlib.h>

#define VOLTAGE_OFF_V 0.5
#define VOLTAGE_SAID_OFF_V 2.0   /* an output that says it is off: noise may read as so much */
#define VOLTAGE_RISE_SHARE 0.6   /* what is below this share of the voltage now was off */
#define VOLTAGE_GONE_SHARE 0.8   /* below it with no current: off at once */
#define VOLTAGE_FALLS_SHARE 0.95 /* below it and falling with no current: off */
#define REST_MOST_A 0.0275       /* a few mA and 20 mA of offset */
#define REST_REACH_A 0.020       /* how far above its baseline a draw still rests */
#define COARSE_COUNT_A 0.010     /* a readback's count where it is not told */
#define RISE_LEAST_A 0.015
#define RISE_SMALL_A 0.003 /* enough where rest is known to be quiet, and lasting */
#define SMALL_REACHES 2.5
#define SMALL_LASTS_S 0.25      /* a sleeping module's blinks are shorter */
#define RISE_UNSURE_A 0.025     /* where the baseline rests on one or two readings */
#define BORNE_OUT_LEAST_S 0.015 /* strays come close together only in fast rows */
#define LONE_GAP_S 0.1          /* one reading stands for this long: it is no stray */
#define STRAY_GAP_S 0.05        /* one reading above rest, this short: a stray */
#define DRAWING_LEAST_S 0.15    /* longer than any inrush */

/* So often a readback goes to and fro before its steps are believed. */
enum { DITHER_FALLS = 2 };

/* A rise of the current that the next readings bear out or not. */
struct current_rise {
    bool open;
    double first_s;
    double pair_s; /* the first reading above whose successor is above too; NAN */
    bool last_above;
    double last_s, limit_A;
    double strong_A;       /* what is above this too need not last */
    double strong_first_s; /* the first of those counted in strong and weak */
    int above, below, strong, weak;
    int below_in_row;
    struct baseline baseline;
};

struct voltage_rise {
    bool open;
    double at_s, voltage_V;
    struct baseline baseline;
};

/* What the open power-up is known by. */
struct running {
    bool hidden; /* began while nobody looked: no events */
    bool watched, drawing, flag_was_on;
    bool was_up;    /* the voltage has been seen up */
    double above_s; /* time spent above rest */
    size_t above;
    double most_A, most_V; /* of medians of three */
    double resting_A;      /* the last reading at rest; NAN */
    double grid_A;         /* readings at rest are whole numbers of so much; 0: finer */
    size_t falls;          /* times a reading at rest was lower than the one before */
    struct sample last[3]; /* newest first */
    size_t seen;
    double rest_since_s; /* NAN: draws */
    double idle_since_s; /* no more than a sleeping module draws; NAN */
    size_t rest_readings;
    double doubt_s;      /* last reading at rest before one above; NAN */
    double off_since_s;  /* a reading that looks off, waiting for the next; NAN */
    double before_off_s; /* the reading before it */
    bool before_off_steady, off_is_clear;
};

struct power_up_machine {
    struct power_up_rules rules;
    bool open;
    bool blind; /* what is on now may have been on before we looked */
    bool seen_any, up_from_start, first_on;
    bool falling;         /* its flag is off, the readback still shows what was before */
    enum known_flag flag; /* last known */
    double not_before_s;  /* where the last power-up ended */
    double last_s;
    struct recent recent;
    struct current_rise current;
    struct voltage_rise voltage;
    struct running running;
    double onset_s, keep_from_s, ended_s;
    enum power_up_end end;
    struct baseline baseline;
};

struct power_up_machine *power_up_create(const struct power_up_rules *rules)
{
    struct power_up_machine *m = calloc(1, sizeof *m);
    if (!m)
        return NULL;
    m->rules = *rules;
    m->flag = FLAG_UNKNOWN;
    m->not_before_s = -INFINITY;
    m->last_s = NAN;
    m->onset_s = m->keep_from_s = m->ended_s = NAN;
    m->baseline.median_A = NAN;
    return m;
}

void power_up_destroy(struct power_up_machine *machine)
{
    free(machine);
}

/* --- beginning --- */

static void open_note(struct power_up_machine *m, const struct sample *s);

static enum power_up_event begin(struct power_up_machine *m, double at_s, bool hidden)
{
    struct baseline baseline = baseline_before(&m->recent, at_s);
    m->open = true;
    m->running = (struct running){.hidden = hidden,
                                  .flag_was_on = m->flag == FLAG_YES,
                                  .resting_A = NAN,
                                  .grid_A = COARSE_COUNT_A,
                                  .rest_since_s = NAN,
                                  .idle_since_s = NAN,
                                  .doubt_s = NAN,
                                  .off_since_s = NAN};
    m->current.open = m->voltage.open = false;
    m->blind = m->up_from_start = m->first_on = m->falling = false;
    if (!hidden) {
        m->onset_s = at_s;
        m->keep_from_s = fmax(at_s - POWER_UP_BEFORE_S - TIME_SLACK_S, m->not_before_s);
        m->ended_s = NAN;
        m->end = END_NONE;
    }
    m->baseline = baseline;
    for (size_t back = m->recent.count; back-- > 0;) {
        const struct sample *s = recent_back(&m->recent, back);
        if (s->time_s >= at_s)
            open_note(m, s);
    }
    return hidden ? POWER_UP_NOTHING : POWER_UP_BEGAN;
}

static double rise_limit_A(const struct power_up_machine *m, const struct baseline *b)
{
    if (!b->readings)
        return REST_MOST_A;
    /* One of two may be a stray: a low one must not make the other look risen. */
    double base_A = b->readings < 3 ? b->most_A : b->median_A;
    double rise_A = b->readings < 3 ? RISE_UNSURE_A : RISE_LEAST_A;
    rise_A = fmax(rise_A, fmax(1.5 * m->rules.resolution_A, 6 * b->noise_A));
    return fmax(-REST_MOST_A, fmin(base_A, REST_MOST_A)) + rise_A;
}

/* The limit for a small module's first step, where rest is known well. */
static double small_limit_A(const struct power_up_machine *m, const struct baseline *b,
                            const struct sample *s, double strong_A)
{
    if (b->readings < NOISE_LEAST || b->median_A > REST_MOST_A || b->median_A < -REST_MOST_A ||
        s->current_A <= b->median_A + RISE_SMALL_A)
        return strong_A;
    double count_A =
        m->rules.resolution_A > 0 ? m->rules.resolution_A : count_seen_A(&m->recent, s);
    double rise_A =
        fmax(fmax(RISE_SMALL_A, 1.5 * count_A), fmax(6 * b->noise_A, SMALL_REACHES * b->reach_A));
    return fmin(strong_A, b->median_A + rise_A);
}

/* Is the low voltage before this reading more than a stray? */
static bool voltage_was_off(const struct power_up_machine *m, const struct sample *s)
{
    double limit_V = fmax(VOLTAGE_OFF_V, VOLTAGE_RISE_SHARE * s->voltage_V);
    size_t low = 0;
    size_t low_back = 0;
    for (size_t back = 0; back < m->recent.count && low < 2; back++) {
        const struct sample *before = recent_back(&m->recent, back);
        if (back > 0 && before->time_s < s->time_s - POWER_UP_BEFORE_S - TIME_SLACK_S)
            break;
        if (before->voltage_V < limit_V) {
            low++;
            low_back = back;
        }
    }
    if (low != 1)
        return low > 1;
    if (low_back + 1 >= m->recent.count)
        return true;
    double after_s = low_back ? recent_back(&m->recent, low_back - 1)->time_s : s->time_s;
    return after_s - recent_back(&m->recent, low_back + 1)->time_s >= LONE_GAP_S - TIME_SLACK_S;
}

static bool voltage_step(struct power_up_machine *m, const struct sample *s)
{
    struct voltage_rise *rise = &m->voltage;
    double least_V = m->flag == FLAG_NO ? VOLTAGE_SAID_OFF_V : VOLTAGE_OFF_V;
    if (rise->open) {
        rise->open = false;
        if (s->voltage_V >= least_V && s->voltage_V >= 0.5 * rise->voltage_V)
            return true;
    }
    if (s->voltage_V >= least_V && voltage_was_off(m, s)) {
        *rise = (struct voltage_rise){.open = true, .at_s = s->time_s, .voltage_V = s->voltage_V};
        /* The row may begin at the very command: on, the voltage not yet up. */
        if (m->flag == FLAG_YES && m->first_on && m->recent.count == 1 &&
            s->time_s - recent_back(&m->recent, 0)->time_s <= POWER_UP_BEFORE_S + TIME_SLACK_S)
            rise->at_s = recent_back(&m->recent, 0)->time_s;
    }
    return false;
}

static bool is_borne_out(const struct current_rise *rise, double time_s)
{
    if (rise->strong >= 3 && 2 * rise->strong >= 3 * rise->weak &&
        2 * rise->above >= 3 * rise->below &&
        time_s - rise->strong_first_s >= BORNE_OUT_LEAST_S - TIME_SLACK_S)
        return true;
    return rise->above >= 3 && rise->above >= 4 * rise->below &&
           time_s - rise->first_s >= SMALL_LASTS_S - TIME_SLACK_S;
}

/* Takes one more reading into a rise that waits to be borne out. */
static void rise_note(struct current_rise *rise, const struct sample *s)
{
    bool above = s->current_A > rise->limit_A;
    bool strong = s->current_A > rise->strong_A;
    if (above && rise->last_above && isnan(rise->pair_s))
        rise->pair_s = rise->last_s;
    rise->last_above = above;
    rise->last_s = s->time_s;
    rise->above += above;
    rise->below += !above;
    rise->below_in_row = above ? 0 : rise->below_in_row + 1;
    if (strong && !rise->strong)
        rise->strong_first_s = s->time_s;
    rise->strong += strong;
    rise->weak += !strong && rise->strong;
    if (rise->weak >= 3 && rise->weak >= rise->strong)
        rise->strong = rise->weak = 0;
    if (rise->below >= 3 &&
        (rise->below >= rise->above || (!rise->strong && rise->below_in_row >= 3)))
        rise->open = false;
    /* A draw that flickers about the limit must not move a later onset forward. */
    if (!rise->strong && s->time_s - rise->first_s > 2 * SMALL_LASTS_S)
        rise->open = false;
}

/* No limit lies nearer than this above the least of the readings before. */
static bool surely_rests(const struct recent *recent, const struct sample *s)
{
    double least_A = INFINITY;
    for (size_t back = 0; back < recent->count; back++) {
        const struct sample *before = recent_back(recent, back);
        if (before->time_s < s->time_s - POWER_UP_BEFORE_S - TIME_SLACK_S)
            break;
        least_A = before->current_A < least_A ? before->current_A : least_A;
    }
    return recent->count > 0 && least_A >= -REST_MOST_A && least_A <= REST_MOST_A &&
           s->current_A <= least_A + RISE_SMALL_A;
}

static bool current_step(struct power_up_machine *m, const struct sample *s)
{
    struct current_rise *rise = &m->current;
    if (rise->open) {
        rise_note(rise, s);
        return is_borne_out(rise, s->time_s);
    }
    if (surely_rests(&m->recent, s))
        return false;
    struct baseline b = baseline_before(&m->recent, s->time_s);
    double strong_A = rise_limit_A(m, &b);
    double limit_A = small_limit_A(m, &b, s, strong_A);
    if (s->current_A > limit_A)
        *rise = (struct current_rise){.open = true,
                                      .first_s = s->time_s,
                                      .pair_s = NAN,
                                      .last_above = true,
                                      .last_s = s->time_s,
                                      .limit_A = limit_A,
                                      .strong_A = strong_A,
                                      .above = 1,
                                      .strong_first_s = s->time_s,
                                      .strong = s->current_A > strong_A,
                                      .baseline = b};
    return false;
}

static double current_rise_at_s(const struct current_rise *rise)
{
    return isnan(rise->pair_s) ? rise->first_s : rise->pair_s;
}

/* A rise still waiting to be borne out when another sign bears it out. */
static double earliest_s(const struct power_up_machine *m, double at_s)
{
    if (m->voltage.open)
        at_s = fmin(at_s, m->voltage.at_s);
    if (m->current.open && m->current.last_above)
        at_s = fmin(at_s, current_rise_at_s(&m->current));
    return at_s;
}

static enum power_up_event rest_step(struct power_up_machine *m, const struct sample *s,
                                     bool switched_on)
{
    double voltage_at_s = m->voltage.at_s;
    bool by_voltage = s && voltage_step(m, s);
    bool by_current = s && current_step(m, s);
    if (s)
        recent_push(&m->recent, s);
    if (switched_on)
        return begin(m, earliest_s(m, m->last_s), false);
    if (by_voltage)
        return begin(m, earliest_s(m, voltage_at_s), false);
    if (by_current) {
        bool hidden = m->blind && m->current.baseline.readings == 0;
        return begin(m, earliest_s(m, current_rise_at_s(&m->current)), hidden);
    }
    return POWER_UP_NOTHING;
}

/* --- going on --- */

static double middle(double a, double b, double c)
{
    double low = a < b ? a : b;
    double high = a < b ? b : a;
    return c < low ? low : c > high ? high : c;
}

/* At or under this the draw rests. */
static double rest_limit_A(const struct power_up_machine *m)
{
    double base_A = m->baseline.readings ? fmin(m->baseline.median_A, REST_MOST_A) : 0;
    double reach_A = REST_REACH_A;
    if (m->running.drawing)
        reach_A =
            fmin(reach_A, fmax(0.25 * (m->running.most_A - base_A), 1.2 * m->rules.resolution_A));
    return base_A + reach_A;
}

static double idle_limit_A(const struct power_up_machine *m)
{
    double base_A = m->baseline.readings ? fmin(m->baseline.median_A, REST_MOST_A) : 0;
    double count_A = m->rules.resolution_A > 0 ? m->rules.resolution_A : COARSE_COUNT_A;
    /* A readback may be coarser than it is said to be: it shows by going to and fro. */
    if (m->running.falls >= DITHER_FALLS)
        count_A = fmax(count_A, m->running.grid_A);
    /* Baseline and reading are each rounded by half a count. */
    return base_A + POWER_UP_IDLE_A + count_A;
}

static void note_rest(struct running *r, const struct sample *s, bool rests)
{
    if (!rests) {
        if (!isnan(r->rest_since_s) && isnan(r->doubt_s))
            r->doubt_s = r->last[0].time_s;
        else
            r->rest_since_s = r->doubt_s = NAN;
        return;
    }
    if (!isnan(r->doubt_s) && s->time_s - r->doubt_s > STRAY_GAP_S + TIME_SLACK_S)
        r->rest_since_s = NAN;
    r->doubt_s = NAN;
    if (isnan(r->rest_since_s)) {
        r->rest_since_s = s->time_s;
        r->rest_readings = 0;
    }
    r->rest_readings++;
}

static void note_grid(struct running *r, const struct sample *s)
{
    r->grid_A = count_of_A(s->current_A, r->grid_A);
    r->falls += s->current_A < r->resting_A - 0.5 * r->grid_A;
    r->resting_A = s->current_A;
}

static void open_note(struct power_up_machine *m, const struct sample *s)
{
    struct running *r = &m->running;
    bool rests = s->current_A <= rest_limit_A(m);
    if (rests)
        note_grid(r, s);
    if (!rests) {
        r->above++;
        if (r->seen)
            r->above_s += fmin(s->time_s - r->last[0].time_s, 0.5);
        r->drawing = r->drawing || (r->above >= 3 && r->above_s >= DRAWING_LEAST_S - TIME_SLACK_S);
    }
    note_rest(r, s, rests);
    r->was_up = r->was_up || s->voltage_V >= VOLTAGE_OFF_V;
    r->last[2] = r->last[1];
    r->last[1] = r->last[0];
    r->last[0] = *s;
    r->seen++;
    if (r->seen >= 3) {
        const struct sample *l = r->last;
        double middle_A = middle(l[0].current_A, l[1].current_A, l[2].current_A);
        if (middle_A > r->most_A)
            r->most_A = middle_A;
        if (middle_A > idle_limit_A(m))
            r->idle_since_s = NAN;
        else if (isnan(r->idle_since_s))
            r->idle_since_s = l[2].time_s;
        double middle_V = middle(l[0].voltage_V, l[1].voltage_V, l[2].voltage_V);
        if (middle_V > r->most_V)
            r->most_V = middle_V;
    }
}

static enum power_up_event end(struct power_up_machine *m, enum power_up_end why, double since_s)
{
    bool hidden = m->running.hidden;
    m->open = false;
    m->not_before_s = since_s;
    recent_drop_before(&m->recent, since_s);
    if (hidden)
        return POWER_UP_NOTHING;
    m->end = why;
    m->ended_s = since_s;
    return POWER_UP_ENDED;
}

/* No current, and the voltage gone or going. */
static bool looks_off(const struct power_up_machine *m, const struct sample *s, bool limited)
{
    const struct running *r = &m->running;
    if (s->current_A > rest_limit_A(m))
        return false;
    /* Switched on by its flag, the readback may renew later than it is polled. */
    if (s->voltage_V < VOLTAGE_OFF_V)
        return (r->was_up || m->flag != FLAG_YES) && (!limited || m->flag == FLAG_NO);
    if (m->flag == FLAG_YES || r->seen < 4)
        return false;
    if (s->voltage_V < VOLTAGE_GONE_SHARE * r->most_V)
        return s->voltage_V <= r->last[0].voltage_V;
    return s->voltage_V < VOLTAGE_FALLS_SHARE * r->most_V && s->voltage_V < r->last[0].voltage_V;
}

/* The draw of an output that is off, as a readback that renews late still tells it. */
static bool has_not_fallen(const struct sample *s)
{
    return s->voltage_V >= VOLTAGE_OFF_V && s->current_A > REST_MOST_A;
}

/* Two readings that look off, or one that stands for long enough: off. */
static bool off_step(struct power_up_machine *m, const struct sample *s, bool off, bool limited)
{
    struct running *r = &m->running;
    if (!isnan(r->off_since_s)) {
        if (off || (r->off_is_clear && r->before_off_steady &&
                    s->time_s - r->before_off_s >= LONE_GAP_S - TIME_SLACK_S))
            return true;
        r->off_since_s = NAN;
    }
    if (off) {
        r->off_since_s = s->time_s;
        r->before_off_s = r->seen ? r->last[0].time_s : s->time_s;
        r->before_off_steady = r->seen && !limited && r->last[0].voltage_V >= 0.9 * r->most_V;
        r->off_is_clear = s->voltage_V < VOLTAGE_OFF_V;
    }
    return false;
}

static enum power_up_event open_step(struct power_up_machine *m, const struct sample *s,
                                     const struct reading *reading)
{
    struct running *r = &m->running;
    bool limited = reading->limited == FLAG_YES;
    if (m->flag == FLAG_YES)
        r->flag_was_on = true;
    if (m->flag == FLAG_NO && r->flag_was_on) {
        m->falling = s && has_not_fallen(s);
        if (s && !m->falling)
            recent_push(&m->recent, s);
        return end(m, END_OUTPUT_OFF, reading->time_s);
    }
    if (s) {
        bool off = looks_off(m, s, limited);
        double since_s = r->off_since_s;
        if (off_step(m, s, off, limited)) {
            /* What is off from here on rests: the draw shows when it went. */
            if (off && !isnan(r->rest_since_s) && r->drawing && !m->rules.sleeps)
                since_s = fmin(since_s, r->rest_since_s);
            enum power_up_event event = end(m, END_OUTPUT_OFF, since_s);
            rest_step(m, s, false);
            return event;
        }
        open_note(m, s);
        recent_push(&m->recent, s);
        bool may_rest = m->rules.sleeps && !r->watched && !r->hidden;
        if (r->drawing && !may_rest && !isnan(r->rest_since_s) && isnan(r->doubt_s) &&
            r->rest_readings >= 2 && s->time_s - r->rest_since_s >= POWER_UP_REST_S - TIME_SLACK_S)
            return end(m, END_DRAW_OFF, r->rest_since_s);
        if (!r->drawing && !limited &&
            s->time_s - r->idle_since_s >= POWER_UP_IDLE_S - TIME_SLACK_S)
            return end(m, END_NO_DRAW, s->time_s);
    }
    if (!r->watched && !r->hidden &&
        reading->time_s - m->onset_s >= m->rules.watch_s - TIME_SLACK_S) {
        r->watched = true;
        return POWER_UP_WATCHED;
    }
    return POWER_UP_NOTHING;
}

enum power_up_event power_up_step(struct power_up_machine *machine, const struct reading *reading)
{
    struct power_up_machine *m = machine;
    enum known_flag before = m->flag;
    if (reading->output_on != FLAG_UNKNOWN)
        m->flag = reading->output_on;
    m->last_s = reading->time_s;
    struct sample sample = {reading->time_s, reading->voltage_V, reading->current_A};
    bool usable = reading->valid && isfinite(sample.current_A) && isfinite(sample.voltage_V);
    const struct sample *s = usable ? &sample : NULL;
    if (m->open)
        return open_step(m, s, reading);
    if (s && !m->seen_any) {
        m->seen_any = true;
        m->up_from_start = !m->blind && s->voltage_V >= VOLTAGE_OFF_V;
        m->first_on = !m->blind && m->flag == FLAG_YES;
        m->falling = m->flag == FLAG_NO; /* a row cut where the last power-up ended */
    }
    if (m->falling && s) {
        m->falling = has_not_fallen(s);
        if (m->falling)
            s = NULL;
    }
    return rest_step(m, s, before == FLAG_NO && m->flag == FLAG_YES);
}

enum power_up_event power_up_lost(struct power_up_machine *machine)
{
    enum power_up_event event = POWER_UP_NOTHING;
    if (machine->open)
        event = end(machine, END_LOST, machine->last_s);
    machine->recent.count = 0;
    machine->current.open = machine->voltage.open = false;
    machine->flag = FLAG_UNKNOWN;
    machine->blind = true;
    machine->up_from_start = machine->first_on = machine->falling = false;
    return event;
}

void power_up_set_rules(struct power_up_machine *machine, const struct power_up_rules *rules)
{
    machine->rules = *rules;
}

double power_up_onset_s(const struct power_up_machine *machine)
{
    return machine->onset_s;
}

double power_up_keep_from_s(const struct power_up_machine *machine)
{
    return machine->keep_from_s;
}

double power_up_ended_s(const struct power_up_machine *machine)
{
    return machine->ended_s;
}

enum power_up_end power_up_end(const struct power_up_machine *machine)
{
    return machine->end;
}

double power_up_baseline_A(const struct power_up_machine *machine, size_t *readings)
{
    *readings = machine->baseline.readings;
    return machine->baseline.median_A;
}

bool power_up_voltage_from_start(const struct power_up_machine *machine)
{
    return machine->up_from_start && !machine->open && isnan(machine->onset_s);
}
