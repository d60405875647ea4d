/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What happened when no path of the template was left. Named from what the
 * readings show and not from how the paths died, so that one cause gets one
 * name whatever the rate and the resolution: the last phase that was surely
 * there, how long it lasted, and what the newest readings are alike.
 */
#include "verdict/tail.h"

#include <math.h>
#include <stdlib.h>

/* Of the final draw: no draw, where the supply's zero is known and where not. */
static const double nothing_share = 0.01, nothing_share_unknown = 0.03;
static const double asleep_share = 0.2; /* of the final draw: it never woke */
static const double collapsed_share = 0.6;
/* Beyond this of what a phase draws it is another thing, not that phase off its
 * level; the last phase may be further off (a dead processor, a short in a load). */
static const double off_share = 0.24, off_share_last = 0.6;
/* Readings further apart: one that fits is enough to have seen a phase. */
static const double sparse_s = 0.05;
/* What departs this early was never the first phase as it should be. */
static const double from_onset_s = 0.03;
static const double scattered_share = 0.08;
static const double off_V = 1;
static const double own_factor = 3; /* spreads of a phase beside the unit's factor */
enum { FEWEST_TURNS = 2, FEWEST_OFF = 3, OVERDUE_TAIL = 3 };

struct scene {
    struct judge *judge;
    const struct reference *reference;
    const struct path *path;
    size_t phase;      /* the last that was surely there */
    double began_s;    /* when it began, from onset */
    double in_phase_s; /* from there to the newest reading */
    double lasted_s;   /* from there to where the tail begins */
    double gap_s;      /* between readings */
    size_t odd_from;   /* the first reading that does not fit, perhaps a mixture */
    struct tail tail;  /* those behind it */
    double zero_A;     /* what the supply reads back with its output off */
    double nothing_A;  /* below this above zero nothing is drawn */
    double wide;       /* share within which a path takes a level for alike */
};

static double square(double x)
{
    return x * x;
}

/* Share by which a phase's draw may differ from the template's in this unit. */
static double unit_share(const struct scene *scene, size_t p)
{
    const struct reference *r = scene->reference;
    double own = square(r->level_own.predictive) + square(r->phases[p].uncertainty);
    bool known = scene->path->factor_precision > 0;
    double common = known ? 0 : square(r->level_common.predictive);
    return fmin(scene->wide, own_factor * sqrt(own + common));
}

static struct shape_band band_of(const struct scene *scene, size_t p, double since_s, double share)
{
    struct shape_band band = follow_shape(&scene->reference->phases[p], since_s, scene->gap_s);
    double factor = scene->path->factor > 0 ? scene->path->factor : 1;
    double steps = 0.5 * scene->judge->accuracy.current_resolution_A;
    double noise = 3 * scene->judge->template->noise_A[p] + steps;
    band.mean_A *= factor;
    band.low_A = band.low_A * factor - share * fabs(band.low_A) - noise;
    band.high_A = band.high_A * factor + share * fabs(band.high_A) + noise;
    return band;
}

static bool within(const struct shape_band *band, double current_A)
{
    return current_A >= band->low_A && current_A <= band->high_A;
}

/* The newest readings are what this phase draws at its beginning. */
static bool is_phase(const struct scene *scene, size_t p)
{
    struct shape_band band =
        band_of(scene, p, scene->in_phase_s - scene->lasted_s, unit_share(scene, p));
    return within(&band, scene->tail.level_A);
}

static bool is_nothing(const struct scene *scene, double current_A)
{
    return fabs(current_A - scene->zero_A) <= scene->nothing_A;
}

static bool goes_on(const struct scene *scene)
{
    struct shape_band band = band_of(scene, scene->phase, scene->in_phase_s, scene->wide);
    return within(&band, scene->tail.level_A);
}

static struct finding phase_finding(const struct scene *scene, enum reason_code code, size_t p)
{
    struct finding finding = finding_of(code);
    finding.phase = (int)p;
    finding.phase_count = (int)scene->reference->phase_count;
    finding.measured = scene->tail.level_A;
    finding.low = scene->reference->phases[p].low_A;
    finding.high = scene->reference->phases[p].high_A;
    return finding;
}

static struct finding at_newest(const struct scene *scene, enum reason_code code, size_t p)
{
    struct finding finding = phase_finding(scene, code, p);
    finding.at_s = judge_elapsed_s(scene->judge);
    return finding;
}

static bool is_at_limit(const struct scene *scene)
{
    double nominal = scene->reference->compared_at_V;
    const struct limit_watch *limit = &scene->judge->limit;
    bool collapsed = !isnan(nominal) && scene->tail.voltage_V < collapsed_share * nominal;
    return !is_nothing(scene, scene->tail.level_A) &&
           (collapsed || (!isnan(limit->since_s) && limit->readings >= 2));
}

static struct finding limit_finding(const struct scene *scene)
{
    double volts = scene->tail.voltage_V;
    struct finding finding =
        finding_of(volts >= 0.55 && volts <= 1.1 ? REASON_REVERSED : REASON_AT_LIMIT);
    finding.measured = scene->tail.level_A;
    finding.voltage_V = volts;
    return finding;
}

static bool is_inrush(const struct scene *scene, const struct reading *reading)
{
    return reading->time_s - scene->judge->verdict->onset_s < INRUSH_S;
}

/* Whether readings from before the tail ever drew more than that. */
static bool drew_more(const struct scene *scene, double than_A)
{
    size_t above = 0;
    for (size_t i = 0; i < scene->tail.from; i++) {
        const struct reading *r = since_onset(scene->judge, i);
        above += r->valid && r->current_A > than_A && !is_inrush(scene, r);
    }
    return above >= 2;
}

/* A few milliamperes and no step so far. */
static bool is_asleep(const struct scene *scene)
{
    double asleep = asleep_share * reference_working_A(scene->reference);
    double first = scene->reference->phases[0].level_A;
    double m = scene->tail.level_A;
    bool like_first = goes_on(scene) && first < asleep;
    return scene->phase == 0 && !is_nothing(scene, m) && !drew_more(scene, asleep) &&
           (like_first || m < 0.5 * fmin(first, 2 * asleep));
}

static struct finding asleep_finding(const struct scene *scene)
{
    struct finding finding = at_newest(scene, REASON_NO_WAKE, 0);
    reference_working_limits(scene->reference, &finding.low, &finding.high);
    return finding;
}

/* Still alike its phase, but out of time: late and stalled cannot be told apart
 * at this reading. */
static struct finding overdue(const struct scene *scene)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    struct finding finding = phase_finding(scene, REASON_STALLED, scene->phase);
    finding.measured = scene->in_phase_s;
    finding.low = phase->duration_low_s;
    finding.high = phase->duration_high_s;
    finding.draw_A = scene->tail.level_A;
    finding.awake = reference_is_sleep(scene->reference, scene->phase + 1);
    return finding;
}

/* The draw jumped to where it is now. */
static bool jumped(const struct scene *scene)
{
    size_t from = scene->tail.from;
    if (from < 2)
        return false;
    const struct reading *before = since_onset(scene->judge, from - 2);
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    double wide =
        scene->wide * fabs(phase->level_A) + 6 * scene->judge->template->noise_A[scene->phase];
    return before->valid && fabs(before->current_A - scene->tail.level_A) > wide;
}

/* Within a phase that has a course of its own, at what it draws at another time
 * than now: behind, or ahead. */
static bool runs_otherwise(const struct scene *scene, struct finding *finding)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    bool last = scene->phase + 1 == scene->reference->phase_count;
    bool flat = phase->kind == PHASE_LEVEL && !last;
    if (flat || phase->kind == PHASE_PERIODIC || phase->cell_count < 3)
        return false;
    double share = unit_share(scene, scene->phase);
    double from = NAN;
    double to = NAN;
    for (size_t i = 0; i < phase->cell_count; i++) {
        double at = (double)i * phase->cell_s;
        struct shape_band band = band_of(scene, scene->phase, at, share);
        if (!within(&band, scene->tail.level_A))
            continue;
        from = isnan(from) ? at : from;
        to = at + phase->cell_s;
        if (to > scene->in_phase_s)
            break;
    }
    bool behind = to <= scene->in_phase_s;
    if (isnan(from) || (behind && jumped(scene)))
        return false;
    *finding = overdue(scene);
    finding->code = behind ? REASON_STALLED : REASON_EARLY;
    finding->elsewhere = true;
    finding->low = behind ? from : to - phase->cell_s;
    finding->high = to;
    return true;
}

static struct finding nothing_drawn(const struct scene *scene)
{
    if (drew_more(scene, scene->zero_A + scene->nothing_A))
        return at_newest(scene, REASON_INTERMITTENT, scene->phase);
    struct finding finding = at_newest(scene, REASON_NO_DRAW, 0);
    finding.phase = -1;
    return finding;
}

/* Readings that do not fit, and go both up and down among themselves. */
static bool is_scattered(const struct scene *scene, size_t p)
{
    const struct reference_phase *phase = &scene->reference->phases[p];
    double steps = scene->judge->accuracy.current_resolution_A;
    double wide =
        scattered_share * fabs(phase->level_A) + steps + 6 * scene->judge->template->noise_A[p];
    double least = INFINITY;
    double most = -INFINITY;
    double rise = 0;
    double fall = 0;
    for (size_t i = scene->odd_from; i < count_since_onset(scene->judge); i++) {
        const struct reading *r = since_onset(scene->judge, i);
        if (!r->valid)
            continue;
        least = fmin(least, r->current_A);
        most = fmax(most, r->current_A);
        rise = fmax(rise, r->current_A - least);
        fall = fmax(fall, most - r->current_A);
    }
    return phase->kind == PHASE_LEVEL && phase->cell_count < 3 && rise > wide && fall > wide;
}

static bool is_due(const struct scene *scene)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    return scene->phase + 1 < scene->reference->phase_count &&
           scene->lasted_s + scene->gap_s >= phase->duration_low_s;
}

static struct finding unsteady(const struct scene *scene)
{
    struct tail odd = tail_from(scene->judge, scene->odd_from);
    size_t p = scene->phase;
    if (is_due(scene)) {
        double next = scene->reference->phases[p + 1].level_A;
        p += odd.low_A < next && odd.high_A > next;
    }
    struct finding finding = at_newest(scene, REASON_UNSTEADY, p);
    finding.measured = scene->tail.newest_A;
    return finding;
}

/* Goes to and fro again and again, or to both sides of what is due. */
static bool is_unsteady(const struct scene *scene)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    struct tail recent = look_back(scene->judge, MOST_TAIL);
    double noise = 4 * scene->judge->template->noise_A[scene->phase];
    double wide = 0.5 * scene->wide * fabs(phase->level_A) + noise;
    size_t from = recent.from > scene->path->start ? recent.from : scene->path->start;
    size_t turns = 0;
    double before = 0;
    double last = NAN;
    for (size_t i = from; i < count_since_onset(scene->judge); i++) {
        const struct reading *r = since_onset(scene->judge, i);
        if (!r->valid)
            continue;
        double step = isnan(last) ? 0 : r->current_A - last;
        if (fabs(step) > wide && step * before < 0)
            turns++;
        if (fabs(step) > wide)
            before = step;
        last = r->current_A;
    }
    double both = scene->wide * fabs(phase->level_A) + noise;
    return turns >= FEWEST_TURNS || (turns >= 1 && scene->tail.low_A < phase->level_A - both &&
                                     scene->tail.high_A > phase->level_A + both);
}

/* A phase is there but off its level: beside the limits that decided, the shape
 * widened for the spread of units, at this unit's factor. */
static struct finding level_off(const struct scene *scene, size_t p)
{
    struct shape_band band = follow_shape(&scene->reference->phases[p],
                                          scene->in_phase_s - scene->lasted_s, scene->gap_s);
    double factor = scene->path->factor > 0 ? scene->path->factor : 1;
    double low = factor * band.low_A - scene->wide * fabs(band.low_A);
    double high = factor * band.high_A + scene->wide * fabs(band.high_A);
    bool below = scene->tail.level_A < 0.5 * (low + high);
    struct finding finding = phase_finding(scene, below ? REASON_LOW_FINAL : REASON_HIGH_FINAL, p);
    finding.low = low;
    finding.high = high;
    if (scene->path->factor_precision > 0)
        finding.basis = LIMITS_OF_UNIT;
    return finding;
}

static bool is_off_only(const struct scene *scene, size_t p)
{
    bool last = p + 1 == scene->reference->phase_count;
    double level = fabs(
        follow_shape(&scene->reference->phases[p], scene->in_phase_s - scene->lasted_s, 0).mean_A);
    return fabs(scene->tail.level_A - level) < (last ? off_share_last : off_share) * level;
}

/* Back at what the first phase draws, or lower. */
static bool is_back_at_first(const struct scene *scene, size_t due)
{
    if (scene->phase == 0)
        return false;
    const struct reference_phase *first = &scene->reference->phases[0];
    double m = scene->tail.level_A;
    double most = INFINITY;
    for (size_t p = 1; p <= due; p++)
        most = fmin(most, scene->reference->phases[p].level_A);
    struct shape_band band = band_of(scene, 0, INFINITY, unit_share(scene, 0));
    return within(&band, m) || is_phase(scene, 0) || (m < first->level_A && m < 0.8 * most);
}

/* What a later phase draws, though another is due; 0: none. */
static size_t later_phase(const struct scene *scene, size_t due)
{
    for (size_t p = due + 1; p < scene->reference->phase_count; p++)
        if (is_phase(scene, p))
            return p;
    return 0;
}

static struct finding ended(const struct scene *scene, enum reason_code code)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    struct finding finding = phase_finding(scene, code, scene->phase);
    finding.measured = scene->lasted_s;
    finding.low = phase->duration_low_s;
    finding.high = phase->duration_high_s;
    return finding;
}

/* The last phase surely there was left for something else. */
static struct finding left_for_else(const struct scene *scene)
{
    const struct reference *r = scene->reference;
    size_t p = scene->phase;
    bool last = p + 1 == r->phase_count;
    struct finding finding;
    if (p == 0 && scene->lasted_s <= fmax(3 * scene->gap_s, from_onset_s))
        return level_off(scene, 0);
    if (is_scattered(scene, last ? p : p + 1))
        return unsteady(scene);
    if (last) {
        if (runs_otherwise(scene, &finding))
            return finding;
        if (is_back_at_first(scene, p))
            return at_newest(scene, REASON_RESTARTS, p);
        return is_off_only(scene, p) ? level_off(scene, p)
                                     : at_newest(scene, REASON_INTERMITTENT, p);
    }
    bool due = is_due(scene);
    if (!due && is_phase(scene, p + 1))
        return ended(scene, REASON_EARLY);
    if (scene->lasted_s > r->phases[p].duration_high_s && is_phase(scene, p + 1))
        return ended(scene, REASON_LATE);
    if (!due && runs_otherwise(scene, &finding))
        return finding;
    bool next = is_phase(scene, p + 1);
    if (due && !next && later_phase(scene, p + 1) > 0)
        return phase_finding(scene, REASON_MISSING_PHASE, p + 1);
    if (!next && is_back_at_first(scene, due ? p + 1 : p))
        return at_newest(scene, REASON_RESTARTS, p);
    if (due && is_off_only(scene, p + 1))
        return level_off(scene, p + 1);
    if (runs_otherwise(scene, &finding))
        return finding;
    finding = at_newest(scene, REASON_EXTRA_PHASE, p);
    if (due) {
        finding.low = r->phases[p + 1].low_A;
        finding.high = r->phases[p + 1].high_A;
    }
    return finding;
}

/* Out of time: the readings behind the last that still fits the phase, or the
 * last three where they all do. */
static size_t tail_of_overdue(const struct scene *scene, size_t began)
{
    const struct judge *judge = scene->judge;
    size_t total = count_since_onset(judge);
    double from_s = since_onset(judge, began)->time_s;
    size_t tail = total;
    while (tail > began + 1) {
        const struct reading *r = since_onset(judge, tail - 1);
        struct shape_band band = band_of(scene, scene->phase, r->time_s - from_s, scene->wide);
        if (r->valid && within(&band, r->current_A))
            break;
        tail--;
    }
    if (tail < total)
        return tail;
    return total > OVERDUE_TAIL ? total - OVERDUE_TAIL : 0;
}

/* The best path's last phase may have been entered on trust: a mixture, and then
 * nothing that fits. Then the one before it is the last that was surely there. */
static void find_last_sure(struct scene *scene, enum follow_end why)
{
    const struct judge *judge = scene->judge;
    const struct path *path = scene->path;
    size_t total = count_since_onset(judge);
    size_t in_phase = total - path->start;
    size_t misses = (size_t)path->misses + 1;
    size_t fits = in_phase > misses + 1 ? in_phase - misses - 1 : 0;
    scene->gap_s =
        total > 1 ? since_onset(judge, total - 1)->time_s - since_onset(judge, total - 2)->time_s
                  : 0;
    scene->phase = (size_t)path->phase;
    size_t began = path->start;
    size_t tail = total > misses ? total - misses : 0;
    if (why == FOLLOW_TOO_LONG)
        tail = tail_of_overdue(scene, began);
    else if (path->phase > 0 && fits < (scene->gap_s > sparse_s ? 1 : 2)) {
        scene->phase = (size_t)path->phase - 1;
        tail = path->start;
        began = path->starts[scene->phase];
    }
    scene->began_s = since_onset(judge, began)->time_s - judge->verdict->onset_s;
    scene->in_phase_s = judge_elapsed_s(judge) - scene->began_s;
    scene->lasted_s = since_onset(judge, tail)->time_s - judge->verdict->onset_s - scene->began_s;
    scene->odd_from = tail;
    scene->tail = tail_from(judge, tail);
    if (why != FOLLOW_TOO_LONG && scene->tail.count > 1)
        scene->tail = tail_from(judge, tail + 1);
}

/* What the supply reads back with its output off, from before onset. */
static void find_zero(struct scene *scene)
{
    const struct judge *judge = scene->judge;
    double sum = 0;
    size_t count = 0;
    for (size_t i = 0; i < judge->first; i++) {
        const struct reading *r = &judge->kept.readings[i];
        if (!r->valid || !(r->voltage_V < off_V))
            continue;
        sum += r->current_A;
        count++;
    }
    bool known = count >= FEWEST_OFF;
    scene->zero_A = known ? sum / (double)count : 0;
    scene->nothing_A = fmax(2 * judge->accuracy.current_resolution_A,
                            (known ? nothing_share : nothing_share_unknown) *
                                fabs(reference_working_A(judge->reference)));
}

static struct scene look(struct judge *judge, enum follow_end why)
{
    static const struct path none = {.factor = 1};
    const struct path *path = follow_best(judge->template->follow);
    struct scene scene = {.judge = judge,
                          .reference = judge->reference,
                          .path = path ? path : &none,
                          .wide = judge->template->envelope};
    find_zero(&scene);
    find_last_sure(&scene, why);
    return scene;
}

/* Pulses that stay where a reading of them may well be. */
static bool is_stuck(const struct scene *scene)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    double wide = 1 + scene->wide;
    return phase->kind == PHASE_PERIODIC && phase->longest_below_s > 0 &&
           scene->tail.level_A * wide >= phase->shape_low_A[0] &&
           scene->tail.level_A <= phase->shape_high_A[0] * wide;
}

static struct finding stuck(const struct scene *scene)
{
    struct finding finding = at_newest(scene, REASON_UNSTEADY, scene->phase);
    finding.measured = scene->tail.level_A;
    finding.stuck = true;
    return finding;
}

static struct finding name_it(const struct scene *scene, enum follow_end why)
{
    double expected = scene->reference->phases[scene->phase].level_A;
    bool silent = is_nothing(scene, scene->tail.level_A) &&
                  (scene->tail.level_A < 0.5 * expected || !goes_on(scene));
    bool last = scene->phase + 1 == scene->reference->phase_count;
    double high_s = scene->reference->phases[scene->phase].duration_high_s;
    if (is_at_limit(scene))
        return limit_finding(scene);
    if (silent)
        return nothing_drawn(scene);
    if (is_asleep(scene))
        return asleep_finding(scene);
    if (why == FOLLOW_TOO_LONG && goes_on(scene))
        return overdue(scene);
    if (is_unsteady(scene))
        return unsteady(scene);
    if (is_stuck(scene))
        return stuck(scene);
    if (!last && goes_on(scene) && scene->in_phase_s + scene->gap_s > high_s)
        return overdue(scene);
    return left_for_else(scene);
}

void template_explain(struct judge *judge, enum follow_end why)
{
    struct scene scene = look(judge, why);
    struct finding finding = name_it(&scene, why);
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}
