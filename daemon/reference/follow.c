/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/follow.h"

#include "reference/level.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What a reading that does not fit may add at most: the first of a row, the
 * next. Three in a row pass the bound, a stray alone never does. */
static const double first_miss = 4.5, next_miss = 6;
static const double stay_factor = 1.25, stuck_z = 10;
static const double missed_intervals = 2, hidden_share = 0.5;
static const double full_weight = 0.6; /* of the interval taught at */
static const double most_score = 8;
static const double mixture_score = 0.7;
enum { EXPIRED_LATELY = 5 };
#define STILL_THERE (2 * FOLLOW_BOUND)
static const double departed = 0.1;    /* of the jump: a first reading has left the old level */
static const double score_behind = 30; /* paths further behind are dropped */
/* Units differ by about this: the score should not tell them apart. */
static const double unit_share = 0.02;

struct row {
    size_t count;
    struct path paths[FOLLOW_MOST_PATHS];
};

struct follow {
    const struct reference_phase *phases;
    size_t phase_count;
    struct follow_options options;
    double noise_A[REFERENCE_MOST_PHASES];
    double log_spread[REFERENCE_MOST_PHASES]; /* of durations, from their limits */
    struct row *rows;                         /* one a phase */
    size_t read;                              /* readings taken */
    double weight; /* of a reading, less than one where they come faster than was taught */
    double last_s;
    size_t index; /* of the newest reading */
    struct path best;
    struct path died;    /* the best of those that died at this reading */
    struct path expired; /* the last that ran out of time while still alike */
    size_t expired_read; /* when, in readings taken; 0: none */
    bool any;
};

static double square(double x)
{
    return x * x;
}

/* fmin() and fmax() mind NANs, and are called. */
static inline double smaller(double a, double b)
{
    return a < b ? a : b;
}

static inline double larger(double a, double b)
{
    return a > b ? a : b;
}

struct follow *follow_create(const struct reference_phase *phases, size_t count,
                             const struct follow_options *options)
{
    struct follow *follow = calloc(1, sizeof *follow);
    struct row *rows = malloc(count * sizeof *rows);
    if (!follow || !rows) {
        free(follow);
        free(rows);
        return NULL;
    }
    follow->phases = phases;
    follow->phase_count = count;
    follow->options = *options;
    follow->rows = rows;
    for (size_t p = 0; p < count; p++) {
        rows[p].count = 0;
        double step = options->resolution_A;
        double noise = fmax(phases[p].noise_A, step / sqrt(12.0));
        follow->noise_A[p] = fmax(noise, 1e-6);
        double span = log(phases[p].duration_high_s / phases[p].duration_s);
        follow->log_spread[p] = isfinite(span) ? fmax(span / 4, 0.01) : 1;
    }
    return follow;
}

void follow_destroy(struct follow *follow)
{
    if (!follow)
        return;
    free(follow->rows);
    free(follow);
}

static size_t cell_at(const struct reference_phase *phase, double since_s)
{
    if (phase->cell_count < 2 || since_s <= 0)
        return 0;
    double cell = since_s / phase->cell_s + 0.5;
    return cell < (double)(phase->cell_count - 1) ? (size_t)cell : phase->cell_count - 1;
}

struct shape_band follow_shape(const struct reference_phase *phase, double since_s, double slack_s)
{
    size_t middle = cell_at(phase, since_s);
    struct shape_band band = {phase->shape_A[middle], phase->shape_low_A[middle],
                              phase->shape_high_A[middle]};
    if (phase->cell_count < 2)
        return band;
    /* Between cells the mean goes straight from one to the next. */
    double place = since_s / phase->cell_s;
    if (place > 0 && place < (double)(phase->cell_count - 1)) {
        size_t left = (size_t)place;
        double part = place - (double)left;
        band.mean_A =
            phase->shape_A[left] + part * (phase->shape_A[left + 1] - phase->shape_A[left]);
    }
    if (slack_s == 0)
        return band;
    size_t from = cell_at(phase, since_s - slack_s);
    size_t to = cell_at(phase, since_s + slack_s);
    /* The first cell may be a mixture with the phase before; it does not widen
     * what comes after it. */
    if (from == 0 && middle > 0)
        from = 1;
    for (size_t i = from; i <= to; i++) {
        band.low_A = smaller(band.low_A, phase->shape_low_A[i]);
        band.high_A = larger(band.high_A, phase->shape_high_A[i]);
    }
    return band;
}

/* A reading scaled to the voltage where the template holds. */
static double at_nominal(const struct follow *follow, size_t phase, double current_A,
                         double voltage_V)
{
    double exponent = follow->phases[phase].exponent;
    if (exponent == 0 || isnan(follow->options.nominal_V) ||
        !(voltage_V > 0.5 * follow->options.nominal_V))
        return current_A;
    return current_A * exp(-exponent * log(voltage_V / follow->options.nominal_V));
}

/* Distance outside the widened band, in noise. */
static double misfit(const struct follow *follow, size_t phase, double current_A, double low_A,
                     double high_A)
{
    double wide = follow->options.envelope;
    double low = low_A - wide * fabs(low_A);
    double high = high_A + wide * fabs(high_A);
    double outside = current_A < low ? low - current_A : current_A > high ? current_A - high : 0;
    return outside / follow->noise_A[phase];
}

static void weigh(const struct follow *follow, struct path *path, double z)
{
    if (z <= 3) {
        path->evidence = larger(0, path->evidence - FOLLOW_WANE * follow->weight);
        path->misses = 0;
        return;
    }
    double most = path->misses ? next_miss : first_miss;
    path->evidence += smaller(0.5 * (z * z - 9), most) * follow->weight;
    path->misses++;
}

/* Minus the log-likelihood of a reading, bounded; what a narrow phase explains
 * a wide one does not take over. */
static double score_of(const struct follow *follow, size_t p, double current_A,
                       const struct shape_band *band)
{
    const struct reference_phase *phase = &follow->phases[p];
    double noise2 = square(follow->noise_A[p]) + square(unit_share * band->mean_A);
    double off = 0;
    double wide2 = 0;
    if (phase->kind == PHASE_PERIODIC) {
        off = current_A - band->mean_A;
        wide2 = square(phase->spread_A);
    } else {
        off = current_A - smaller(larger(current_A, band->low_A), band->high_A);
        wide2 = square((band->high_A - band->low_A) / 4);
    }
    double score = 0.5 * square(off) / (noise2 + wide2);
    if (wide2 > 0)
        score += 0.5 * log1p(wide2 / noise2);
    return smaller(score, most_score) * follow->weight;
}

/* Levels of one unit move together: what is left of a level when the phase is
 * left tells of those to come. */
static void learn_factor(const struct follow *follow, const struct path *from, struct path *to)
{
    const struct reference_phase *phase = &follow->phases[from->phase];
    to->factor = from->factor;
    to->factor_sum = from->factor_sum;
    to->factor_precision = from->factor_precision;
    if (!(follow->options.common > 0) || from->counted < 2 || phase->kind != PHASE_LEVEL ||
        !(from->drawn_A > 0) || !(from->shape_A > 0))
        return;
    double level = from->shape_A / from->counted;
    double noise = follow->noise_A[from->phase] / level;
    double variance = square(follow->options.own) + square(noise);
    to->factor_precision += 1 / variance;
    to->factor_sum += log(from->drawn_A / from->shape_A) / variance;
    to->factor = exp(to->factor_sum / (1 / square(follow->options.common) + to->factor_precision));
}

static void scale_band(struct shape_band *band, double factor)
{
    band->mean_A *= factor;
    band->low_A *= factor;
    band->high_A *= factor;
}

/* Pulses that stay to one side for longer than known-goods' did are stuck. */
static bool stays_too_long(const struct follow *follow, struct path *path, double time_s,
                           bool above)
{
    const struct reference_phase *phase = &follow->phases[path->phase];
    if (isnan(path->crossed_s) || above != path->above) {
        path->crossed_s = follow->last_s;
        path->above = above;
    }
    double longest = above ? phase->longest_above_s : phase->longest_below_s;
    double other = above ? phase->longest_below_s : phase->longest_above_s;
    double gap = time_s - follow->last_s;
    /* Readings were missed for long enough that it may have been across and back. */
    if (gap > missed_intervals * follow->options.interval_s && gap > hidden_share * other)
        path->crossed_s = time_s;
    return longest > 0 && time_s - path->crossed_s > stay_factor * longest + gap;
}

/* Time on the shape's clock: its first cell was learned half an interval behind
 * the phase's beginning, which lies in the middle of a gap. */
static double since_start(const struct follow *follow, const struct path *path, double time_s)
{
    return time_s - 0.5 * (path->from_s + path->before_s + follow->options.interval_s);
}

/* Readings that do not fit any more but fit the next phase tell that it has begun,
 * if a path goes there at last. */
static void note_next(const struct follow *follow, struct path *path, double time_s,
                      double current_A, double voltage_V, bool fits)
{
    size_t next = (size_t)path->phase + 1;
    bool alike = false;
    if (!fits && next < follow->phase_count && follow->phases[next].kind == PHASE_LEVEL) {
        double y = at_nominal(follow, next, current_A, voltage_V);
        struct shape_band band = follow_shape(&follow->phases[next], 0, time_s - path->from_s);
        scale_band(&band, path->factor);
        alike = misfit(follow, next, y, band.low_A, band.high_A) <= 3;
    }
    if (!alike) {
        path->next_s = NAN;
    } else if (isnan(path->next_s)) {
        path->next_s = time_s;
        path->before_next_s = follow->last_s;
        path->next_index = follow->index;
    }
}

/* The path goes on in its phase with this reading. */
static void go_on(const struct follow *follow, struct path *path, double time_s, double current_A,
                  double voltage_V)
{
    size_t p = (size_t)path->phase;
    const struct reference_phase *phase = &follow->phases[p];
    double y = at_nominal(follow, p, current_A, voltage_V);
    double since = since_start(follow, path, time_s);
    double slack =
        phase->cell_count < 2 ? 0 : path->from_s - path->before_s + follow->options.stretch * since;
    struct shape_band band = follow_shape(phase, since, slack);
    if (p == 0 && time_s < INRUSH_S)
        return;
    double shape_A = band.mean_A;
    scale_band(&band, path->factor);
    double z = misfit(follow, p, y, band.low_A, band.high_A);
    if (phase->kind == PHASE_PERIODIC &&
        stays_too_long(follow, path, time_s, y > 0.5 * (band.low_A + band.high_A)))
        z = fmax(z, stuck_z);
    note_next(follow, path, time_s, current_A, voltage_V, z <= 3);
    weigh(follow, path, z);
    path->score += score_of(follow, p, y, &band);
    /* Beyond the edge of the shape and outside the band nothing is learned. */
    if (path->misses == 0 && since >= phase->cell_s * (double)(phase->cell_count - 1)) {
        path->drawn_A += y;
        path->shape_A += shape_A;
        path->counted++;
    }
}

/* What a path drew in the phase it leaves. */
static struct shape_band left_behind(const struct follow *follow, const struct path *from,
                                     double time_s)
{
    struct shape_band band =
        follow_shape(&follow->phases[from->phase], since_start(follow, from, time_s),
                     from->from_s - from->before_s);
    scale_band(&band, from->factor);
    return band;
}

/* The first reading of `next`, from a level that is told apart from it, still
 * stands at that level. */
static bool has_not_left(const struct follow *follow, const struct path *from, size_t next,
                         double y, double next_A, double left_A)
{
    double jump = next_A - left_A;
    /* The mean of pulses is no level to have left. */
    bool pulses = follow->phases[next].kind == PHASE_PERIODIC ||
                  follow->phases[from->phase].kind == PHASE_PERIODIC;
    return !pulses && fabs(jump) > 4 * follow->noise_A[next] && (y - left_A) / jump < departed;
}

/* A path that enters `next` at this reading, out of `from` (NULL: onset). */
static struct path enter(const struct follow *follow, const struct path *from, size_t next,
                         size_t index, double time_s, double current_A, double voltage_V)
{
    struct path path = {.phase = (int)next,
                        .start = index,
                        .from_s = time_s,
                        .before_s = time_s - follow->options.interval_s,
                        .factor = 1,
                        .crossed_s = NAN,
                        .next_s = NAN};
    double before_A = 0;
    double before_low = 0;
    double before_high = 0;
    if (from) {
        const struct reference_phase *left = &follow->phases[from->phase];
        struct shape_band band = left_behind(follow, from, time_s);
        memcpy(path.starts, from->starts, sizeof path.starts);
        learn_factor(follow, from, &path);
        for (size_t p = (size_t)from->phase + 1; p < next; p++)
            path.starts[p] = (uint32_t)index;
        path.before_s = follow->last_s;
        /* It may have been left late for want of time in the next. */
        if (next == (size_t)from->phase + 1 && !isnan(from->next_s)) {
            path.from_s = from->next_s;
            path.before_s = from->before_next_s;
            path.start = from->next_index;
        }
        path.evidence = from->evidence;
        path.misses = from->misses;
        path.score = from->score;
        before_A = band.mean_A;
        before_low = band.low_A;
        before_high = band.high_A;
        double log_ratio =
            log(fmax(0.5 * (time_s + follow->last_s - from->from_s - from->before_s), 1e-6) /
                left->duration_s);
        path.score += fmin(most_score, 0.5 * square(log_ratio / follow->log_spread[from->phase]));
    }
    path.starts[next] = (uint32_t)path.start;
    const struct reference_phase *phase = &follow->phases[next];
    double y = at_nominal(follow, next, current_A, voltage_V);
    struct shape_band band = follow_shape(phase, 0, time_s - path.before_s);
    scale_band(&band, path.factor);
    if (next == 0 && time_s < INRUSH_S)
        return path;
    double low = fmin(before_low, band.low_A);
    double high = fmax(before_high, band.high_A);
    if (from && has_not_left(follow, from, next, y, band.mean_A, before_A))
        path.evidence = STILL_THERE;
    double z = misfit(follow, next, y, low, high);
    weigh(follow, &path, z);
    double straight = score_of(follow, next, y, &band);
    path.score += z <= 3 ? fmin(straight, mixture_score) : straight;
    return path;
}

static void keep(struct row *row, const struct path *path)
{
    if (row->count < FOLLOW_MOST_PATHS) {
        row->paths[row->count++] = *path;
        return;
    }
    size_t worst = 0;
    for (size_t i = 1; i < row->count; i++)
        if (row->paths[i].score > row->paths[worst].score)
            worst = i;
    if (path->score < row->paths[worst].score)
        row->paths[worst] = *path;
}

/* May the phase have ended between the last reading and this one? */
static bool may_end(const struct follow *follow, const struct path *path, double time_s)
{
    const struct reference_phase *phase = &follow->phases[path->phase];
    double longest = time_s - path->before_s;
    double shortest = follow->last_s - path->from_s;
    double late = follow->options.late_s;
    return longest >= phase->duration_low_s - late && shortest <= phase->duration_high_s + late;
}

static const struct path *best_to_leave(const struct follow *follow, size_t phase, double time_s)
{
    const struct row *row = &follow->rows[phase];
    const struct path *best = NULL;
    double least = INFINITY;
    for (size_t i = 0; i < row->count; i++) {
        const struct path *path = &row->paths[i];
        double cost = path->score + path->evidence;
        if (cost < least && may_end(follow, path, time_s)) {
            least = cost;
            best = path;
        }
    }
    return best;
}

/* Most readings go on in their phase: whether this one cannot begin the next, told
 * without working out how well it would. */
static bool stays_behind(const struct follow *follow, const struct path *leave, size_t next,
                         double time_s, double current_A, double voltage_V)
{
    struct path learned;
    learn_factor(follow, leave, &learned);
    double next_A = follow_shape(&follow->phases[next], 0, 0).mean_A * learned.factor;
    double left_A = left_behind(follow, leave, time_s).mean_A;
    double y = at_nominal(follow, next, current_A, voltage_V);
    return has_not_left(follow, leave, next, y, next_A, left_A);
}

/* The way into `next` at this reading. Phases that may be shorter than a gap
 * between readings can be passed unseen. */
static bool find_entry(const struct follow *follow, size_t next, size_t index, double time_s,
                       double current_A, double voltage_V, struct path *entry)
{
    bool found = false;
    double skipped = 0;
    double gap_s = time_s - follow->last_s;
    for (size_t from = next; from-- > 0;) {
        const struct path *leave = best_to_leave(follow, from, time_s);
        bool only = from + 1 == next && follow->phases[from].duration_low_s > gap_s;
        if (leave && only && stays_behind(follow, leave, next, time_s, current_A, voltage_V))
            return false;
        if (leave) {
            struct path path = enter(follow, leave, next, index, time_s, current_A, voltage_V);
            if (!found || path.score + path.evidence < entry->score + entry->evidence)
                *entry = path;
            found = true;
        }
        skipped += follow->phases[from].duration_low_s;
        if (skipped > gap_s)
            break;
    }
    return found;
}

static double least_score(const struct row *row)
{
    double least = INFINITY;
    for (size_t i = 0; i < row->count; i++)
        least = smaller(least, row->paths[i].score);
    return least;
}

struct deaths {
    double least;
    enum follow_end why;
};

/* Moves the phase's paths on by this reading and drops the dead. */
static void advance(struct follow *follow, size_t p, double time_s, double current_A,
                    double voltage_V, struct deaths *deaths)
{
    struct row *row = &follow->rows[p];
    double limit = follow->phases[p].duration_high_s + follow->options.late_s;
    double most = least_score(row) + score_behind;
    size_t kept = 0;
    for (size_t i = 0; i < row->count; i++) {
        struct path *path = &row->paths[i];
        bool too_long = p + 1 < follow->phase_count && time_s - path->from_s > limit;
        bool may_die = too_long || path->evidence + next_miss * follow->weight > FOLLOW_BOUND;
        struct path before;
        if (may_die)
            before = *path;
        go_on(follow, path, time_s, current_A, voltage_V);
        bool unlike = path->evidence > FOLLOW_BOUND;
        if (!may_die || (!too_long && !unlike)) {
            if (path->score > most + most_score)
                continue;
            if (kept < i)
                row->paths[kept] = *path;
            kept++;
            continue;
        }
        if (too_long && path->misses == 0) {
            follow->expired = before;
            follow->expired_read = follow->read;
        }
        if (before.score + before.evidence < deaths->least) {
            deaths->least = before.score + before.evidence;
            follow->died = before;
            /* Out of time while still alike is another matter than unlike. */
            deaths->why = too_long && path->misses == 0 ? FOLLOW_TOO_LONG : FOLLOW_UNLIKE;
        }
    }
    row->count = kept;
}

static void choose_best(struct follow *follow)
{
    double least = INFINITY;
    const struct path *best = NULL;
    for (size_t p = 0; p < follow->phase_count; p++) {
        const struct row *row = &follow->rows[p];
        for (size_t i = 0; i < row->count; i++) {
            double cost = row->paths[i].score + row->paths[i].evidence;
            if (cost < least) {
                least = cost;
                best = &row->paths[i];
            }
        }
    }
    if (!best)
        return;
    follow->best = *best;
    follow->any = true;
}

enum follow_end follow_read(struct follow *follow, size_t index, double time_s, double current_A,
                            double voltage_V)
{
    double usual_s = full_weight * follow->options.interval_s;
    double gap_s = time_s - follow->last_s;
    follow->weight = follow->read == 0 || !(gap_s < usual_s) ? 1 : gap_s / usual_s;
    follow->index = index;
    struct path entries[REFERENCE_MOST_PHASES];
    bool entered[REFERENCE_MOST_PHASES] = {false};
    if (follow->read == 0) {
        entries[0] = enter(follow, NULL, 0, index, time_s, current_A, voltage_V);
        entered[0] = true;
    } else {
        for (size_t next = 1; next < follow->phase_count; next++)
            entered[next] =
                find_entry(follow, next, index, time_s, current_A, voltage_V, &entries[next]);
    }
    struct deaths deaths = {.least = INFINITY, .why = FOLLOW_ALIVE};
    size_t alive = 0;
    for (size_t p = 0; p < follow->phase_count; p++) {
        if (follow->rows[p].count)
            advance(follow, p, time_s, current_A, voltage_V, &deaths);
        if (entered[p] && entries[p].evidence <= FOLLOW_BOUND)
            keep(&follow->rows[p], &entries[p]);
        alive += follow->rows[p].count;
    }
    follow->read++;
    follow->last_s = time_s;
    if (alive) {
        choose_best(follow);
        return FOLLOW_ALIVE;
    }
    /* A path or two may have gone into the next phase on trust as time ran out. */
    if (follow->expired_read && follow->read - follow->expired_read <= EXPIRED_LATELY) {
        follow->best = follow->expired;
        return FOLLOW_TOO_LONG;
    }
    if (deaths.why == FOLLOW_ALIVE)
        return FOLLOW_UNLIKE;
    follow->best = follow->died;
    return deaths.why;
}

const struct path *follow_best(const struct follow *follow)
{
    return follow->any ? &follow->best : NULL;
}

const struct path *follow_best_in(const struct follow *follow, size_t phase, double behind)
{
    const struct row *row = &follow->rows[phase];
    const struct path *best = NULL;
    double least = follow->best.score + follow->best.evidence + behind;
    for (size_t i = 0; i < row->count; i++) {
        double cost = row->paths[i].score + row->paths[i].evidence;
        if (cost <= least) {
            least = cost;
            best = &row->paths[i];
        }
    }
    return best;
}

double follow_evidence_in_last(const struct follow *follow)
{
    const struct row *row = &follow->rows[follow->phase_count - 1];
    double least = INFINITY;
    for (size_t i = 0; i < row->count; i++)
        least = fmin(least, row->paths[i].evidence);
    return least;
}
