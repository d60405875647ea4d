/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What happened when no path of the template was left: the newest readings
 * beside the phases the type has.
 */
#include "verdict/template_state.h"

#include <math.h>

static const double nothing_share = 0.03; /* of the final draw: no draw */
static const double asleep_share = 0.2;   /* of the final draw: it never woke */
static const double collapsed_share = 0.6;
enum { MOST_TAIL = 12 };

/* The newest readings, which do not fit. */
struct tail {
    double mean_A, low_A, high_A, voltage_V;
    double newest_A;
    size_t count;
};

static struct tail look_back(const struct judge *judge, size_t count)
{
    struct tail tail = {.low_A = INFINITY, .high_A = -INFINITY, .voltage_V = NAN};
    size_t total = count_since_onset(judge);
    double volts = 0;
    size_t volted = 0;
    for (size_t i = total; i-- > 0 && tail.count < count;) {
        const struct reading *r = since_onset(judge, i);
        if (!r->valid)
            continue;
        if (tail.count == 0)
            tail.newest_A = r->current_A;
        tail.mean_A += r->current_A;
        tail.low_A = fmin(tail.low_A, r->current_A);
        tail.high_A = fmax(tail.high_A, r->current_A);
        if (!isnan(r->voltage_V)) {
            volts += r->voltage_V;
            volted++;
        }
        tail.count++;
    }
    if (tail.count > 0)
        tail.mean_A /= (double)tail.count;
    if (volted > 0)
        tail.voltage_V = volts / (double)volted;
    return tail;
}

struct scene {
    struct judge *judge;
    const struct reference *reference;
    const struct path *path;
    size_t phase;      /* of the path */
    double in_phase_s; /* from the phase's beginning to the newest reading */
    struct tail tail;
    double nothing_A; /* below this nothing is drawn */
    double wide;      /* share within which a level is alike */
};

static bool alike(const struct scene *scene, size_t p, double since_s, double current_A)
{
    const struct template_judge *template = scene->judge->template;
    struct shape_band band = follow_shape(&scene->reference->phases[p], since_s, 0);
    double noise = 3 * template->noise_A[p];
    return current_A >= band.low_A - scene->wide * fabs(band.low_A) - noise &&
           current_A <= band.high_A + scene->wide * fabs(band.high_A) + noise;
}

static struct finding phase_finding(const struct scene *scene, enum reason_code code, size_t p)
{
    struct finding finding = finding_of(code);
    finding.phase = (int)p;
    finding.phase_count = (int)scene->reference->phase_count;
    finding.measured = scene->tail.mean_A;
    finding.low = scene->reference->phases[p].low_A;
    finding.high = scene->reference->phases[p].high_A;
    return finding;
}

static bool is_at_limit(const struct scene *scene)
{
    double nominal = scene->reference->compared_at_V;
    const struct limit_watch *limit = &scene->judge->limit;
    bool collapsed = !isnan(nominal) && scene->tail.voltage_V < collapsed_share * nominal;
    return scene->tail.mean_A > scene->nothing_A &&
           (collapsed || (!isnan(limit->since_s) && limit->readings >= 2));
}

static struct finding limit_finding(const struct scene *scene)
{
    double volts = scene->tail.voltage_V;
    struct finding finding =
        finding_of(volts >= 0.55 && volts <= 1.1 ? REASON_REVERSED : REASON_AT_LIMIT);
    finding.measured = scene->tail.mean_A;
    finding.voltage_V = volts;
    return finding;
}

/* A few milliamperes and no step so far. */
static bool is_asleep(const struct scene *scene)
{
    double asleep = asleep_share * scene->reference->final_expected_A;
    return scene->phase == 0 && scene->tail.mean_A < asleep &&
           scene->tail.mean_A > scene->nothing_A &&
           scene->tail.mean_A < 1.2 * scene->reference->phases[0].level_A;
}

static struct finding asleep_finding(const struct scene *scene)
{
    struct finding finding = phase_finding(scene, REASON_NO_WAKE, 0);
    finding.at_s = judge_elapsed_s(scene->judge);
    finding.low = scene->reference->final_low_A;
    finding.high = scene->reference->final_high_A;
    return finding;
}

/* Still alike its phase, but out of time. */
static struct finding too_long(const struct scene *scene)
{
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    if (is_asleep(scene))
        return asleep_finding(scene);
    struct finding finding = phase_finding(scene, REASON_STALLED, scene->phase);
    finding.measured = scene->in_phase_s;
    finding.low = phase->duration_low_s;
    finding.high = phase->duration_high_s;
    finding.draw_A = scene->tail.mean_A;
    return finding;
}

static bool was_drawing(const struct scene *scene)
{
    size_t total = count_since_onset(scene->judge);
    size_t drawing = 0;
    for (size_t i = 0; i + scene->tail.count < total; i++) {
        const struct reading *r = since_onset(scene->judge, i);
        drawing += r->valid && r->current_A > scene->nothing_A;
    }
    return drawing >= 2;
}

static struct finding nothing_drawn(const struct scene *scene)
{
    if (was_drawing(scene)) {
        struct finding finding = phase_finding(scene, REASON_INTERMITTENT, scene->phase);
        finding.at_s = judge_elapsed_s(scene->judge);
        return finding;
    }
    struct finding finding = phase_finding(scene, REASON_NO_DRAW, 0);
    finding.phase = -1;
    finding.at_s = judge_elapsed_s(scene->judge);
    return finding;
}

/* Swings to both sides of the phase, or far apart. */
static bool is_unsteady(const struct scene *scene)
{
    struct tail recent = look_back(scene->judge, MOST_TAIL);
    const struct reference_phase *phase = &scene->reference->phases[scene->phase];
    double noise = 4 * scene->judge->template->noise_A[scene->phase];
    double wide = 0.5 * scene->wide * fabs(phase->level_A) + noise;
    size_t turns = 0;
    double before = 0;
    size_t total = count_since_onset(scene->judge);
    size_t from = total > recent.count ? total - recent.count : 0;
    if (from < scene->path->start)
        from = scene->path->start;
    double last = NAN;
    for (size_t i = from; i < total; i++) {
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
    /* To and fro again and again, or to both sides of what the phase draws. */
    double both = scene->wide * fabs(phase->level_A) + noise;
    return turns >= 2 || (turns >= 1 && scene->tail.low_A < phase->level_A - both &&
                          scene->tail.high_A > phase->level_A + both);
}

/* The draw changed to what another phase draws. */
static bool other_phase(const struct scene *scene, struct finding *finding)
{
    const struct reference *r = scene->reference;
    double m = scene->tail.mean_A;
    size_t p = scene->phase;
    const struct reference_phase *phase = &r->phases[p];
    size_t readings = count_since_onset(scene->judge) - scene->path->start;
    bool entered_on_trust = p > 0 && readings <= scene->tail.count + 2;
    if (p + 1 < r->phase_count && alike(scene, p + 1, 0, m) &&
        scene->in_phase_s < phase->duration_low_s && !alike(scene, p, scene->in_phase_s, m)) {
        /* What was taken for its first reading was the edge past it. */
        if (entered_on_trust) {
            *finding = phase_finding(scene, REASON_MISSING_PHASE, p);
            return true;
        }
        *finding = phase_finding(scene, REASON_EARLY, p);
        finding->measured = scene->in_phase_s;
        finding->low = phase->duration_low_s;
        finding->high = phase->duration_high_s;
        return true;
    }
    if (p + 2 < r->phase_count && alike(scene, p + 2, 0, m) && !alike(scene, p + 1, 0, m)) {
        *finding = phase_finding(scene, REASON_MISSING_PHASE, p + 1);
        return true;
    }
    /* Back at what the first phase draws, or at less. */
    double first = r->phases[0].shape_A[r->phases[0].cell_count - 1];
    if (p > 0 && m < 0.8 * phase->level_A &&
        (m < first * (1 + scene->wide) || m < 0.5 * phase->level_A ||
         alike(scene, 0, INFINITY, m))) {
        *finding = phase_finding(scene, REASON_RESTARTS, p);
        finding->at_s = judge_elapsed_s(scene->judge);
        return true;
    }
    return false;
}

static struct finding level_off(const struct scene *scene, size_t p)
{
    enum reason_code code = scene->tail.mean_A < scene->reference->phases[p].level_A
                                ? REASON_LOW_FINAL
                                : REASON_HIGH_FINAL;
    return phase_finding(scene, code, p);
}

static struct finding unlike(const struct scene *scene)
{
    const struct reference *r = scene->reference;
    size_t p = scene->phase;
    double m = scene->tail.mean_A;
    struct finding finding;
    if (is_asleep(scene) && m < 0.7 * r->phases[0].level_A)
        return asleep_finding(scene);
    if (is_unsteady(scene)) {
        finding = phase_finding(scene, REASON_UNSTEADY, p);
        finding.measured = scene->tail.newest_A;
        finding.at_s = judge_elapsed_s(scene->judge);
        return finding;
    }
    const struct reference_phase *phase = &r->phases[p];
    /* Nearer to the next phase than to this one, when that is due. */
    if (p + 1 < r->phase_count && scene->in_phase_s >= 0.9 * phase->duration_low_s) {
        double next = r->phases[p + 1].level_A;
        bool skipped = p + 2 < r->phase_count && alike(scene, p + 2, 0, m);
        if (!skipped && fabs(m - next) < 0.5 * fabs(m - phase->level_A))
            return level_off(scene, p + 1);
    }
    size_t readings = count_since_onset(scene->judge) - scene->path->start;
    if (readings <= scene->tail.count + 2 && fabs(m - phase->level_A) < 0.5 * phase->level_A)
        return level_off(scene, p);
    if (other_phase(scene, &finding))
        return finding;
    if (readings <= scene->tail.count + 2)
        return level_off(scene, p);
    if (p + 1 < r->phase_count) {
        finding = phase_finding(scene, REASON_EXTRA_PHASE, p);
        finding.at_s = judge_elapsed_s(scene->judge);
        return finding;
    }
    if (m < 0.5 * phase->level_A) {
        finding = phase_finding(scene, REASON_INTERMITTENT, p);
        finding.at_s = judge_elapsed_s(scene->judge);
        return finding;
    }
    return level_off(scene, p);
}

void template_explain(struct judge *judge, enum follow_end why)
{
    const struct reference *reference = judge->reference;
    const struct path *path = follow_best(judge->template->follow);
    struct path none = {0};
    struct scene scene = {.judge = judge,
                          .reference = reference,
                          .path = path ? path : &none,
                          .wide = judge->template->envelope};
    scene.phase = (size_t)scene.path->phase;
    scene.in_phase_s = judge_elapsed_s(judge) - scene.path->from_s;
    int misses = scene.path->misses + 1;
    scene.tail = look_back(judge, why == FOLLOW_TOO_LONG ? 3 : (size_t)misses);
    scene.nothing_A = fmax(2 * judge->accuracy.current_resolution_A,
                           nothing_share * fabs(reference->final_expected_A));
    bool expected = reference->phases[scene.phase].level_A > 1.5 * scene.nothing_A;
    bool silent = fabs(scene.tail.mean_A) < scene.nothing_A &&
                  (expected || (why == FOLLOW_TOO_LONG && !was_drawing(&scene)));
    struct finding finding;
    if (is_at_limit(&scene))
        finding = limit_finding(&scene);
    else if (silent)
        finding = nothing_drawn(&scene);
    else if (why == FOLLOW_TOO_LONG)
        finding = too_long(&scene);
    else
        finding = unlike(&scene);
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
    if (finding.code == REASON_STALLED) {
        finding.code = REASON_LATE;
        finding.steady = true;
        reasons_add(judge->verdict, &finding);
    }
}
