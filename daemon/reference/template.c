/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/template.h"

#include "reference/compare.h"
#include "reference/follow.h"
#include "reference/level.h"
#include "reference/spread.h"
#include "reference/template_pulses.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double flat_share = 0.004;     /* a cell this near to the rest is flat */
static const double pulse_share = 0.03;     /* more readings than this apart: pulses */
static const double inrush_settled_s = 0.2; /* no pulses are looked for before */
enum { PULSES_LEAST = 10 };                 /* readings in a phase that can be told to pulse */
static const double count_or_two =
    4.2; /* of the readback's deviation: steps of one count are none */
static const double least_noise_A = 1e-6;
static const double paced_share = 0.8; /* of the spread about a shape in seconds */

static double square(double x)
{
    return x * x;
}

/* Mean of a course's readings in the phase without the fifths drawn most and
 * least (an inrush, strays); the first reading, a mixture, is left out. NAN:
 * none. */
static double core_mean(const struct course *course, size_t from, size_t to)
{
    size_t count = 0;
    double *values = malloc((to - from + 1) * sizeof *values);
    if (!values)
        return NAN;
    for (size_t i = from + 1; i < to; i++)
        if (course->readings[i].time_s >= INRUSH_S)
            values[count++] = course->readings[i].current_A;
    double mean = median_of(values, count); /* sorts */
    size_t outer = count / 5;
    if (count >= 5) {
        mean = 0;
        for (size_t i = outer; i < count - outer; i++)
            mean += values[i] / (double)(count - 2 * outer);
    }
    free(values);
    return mean;
}

/* The readings of one phase over all courses that follow, scaled to the mean
 * level; where it is paced, laid on the type's own length. */
static int gather(const struct reference *reference, const struct course *courses,
                  size_t course_count, size_t p, size_t phase_count, double noise_A,
                  double *level_A, struct samples *samples)
{
    double interval_s = reference->reading_interval_s;
    struct level_view view = {.phase = &reference->phases[p], .lead_s = 0.5 * interval_s};
    size_t total = 0;
    size_t seen = 0;
    double sum = 0;
    for (size_t c = 0; c < course_count; c++) {
        if (!courses[c].follows)
            continue;
        size_t from = courses[c].starts[p];
        size_t to = course_phase_end(&courses[c], p, phase_count);
        double mean = core_mean(&courses[c], from, to);
        total += to - from;
        if (!isnan(mean)) {
            sum += mean;
            seen++;
        }
    }
    *level_A = seen ? sum / (double)seen : 0;
    samples->items = malloc((total + 1) * sizeof *samples->items);
    samples->count = 0;
    if (!samples->items)
        return -1;
    for (size_t c = 0; c < course_count; c++) {
        if (!courses[c].follows)
            continue;
        size_t from = courses[c].starts[p];
        size_t to = course_phase_end(&courses[c], p, phase_count);
        double mean = core_mean(&courses[c], from, to);
        double ratio = mean / *level_A;
        /* Beside the noise of so few readings a unit's factor is not seen. */
        if (!(ratio > 0.8 && ratio < 1.25))
            ratio = 1;
        struct phase_span span = course_span(&courses[c], p, phase_count, interval_s);
        level_view_place(&view, &span);
        size_t end = phase_pure_end(courses[c].readings, from, to, span.over, noise_A);
        for (size_t i = from + 1; i < end; i++) {
            const struct reading *r = &courses[c].readings[i];
            if (r->time_s < INRUSH_S)
                continue;
            double since_s = (r->time_s - view.began_s) * view.pace - view.lead_s;
            samples->items[samples->count++] =
                (struct sample){since_s, r->current_A / ratio, r->current_A};
        }
    }
    return 0;
}

struct grid {
    double cell_s;
    size_t cells;
    double mean_A[REFERENCE_MOST_CELLS];
    double low_A[REFERENCE_MOST_CELLS], high_A[REFERENCE_MOST_CELLS];
    double spread_A[REFERENCE_MOST_CELLS];
    size_t count[REFERENCE_MOST_CELLS];
};

static size_t cell_of(const struct grid *grid, double since_s)
{
    double cell = floor(since_s / grid->cell_s + 0.5);
    return cell < (double)(grid->cells - 1) ? (size_t)fmax(cell, 0) : grid->cells - 1;
}

/* One cell: median, then mean and spread of what lies near it; the least and
 * the most but for a lone stray. */
static void fill_cell(struct grid *grid, size_t cell, double *values, size_t count, double noise_A)
{
    grid->count[cell] = count;
    if (count == 0)
        return;
    double middle = median_of(values, count);
    double around = fmax(6 * noise_A, 0.1 * fabs(middle));
    double sum = 0;
    double squares = 0;
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        if (fabs(values[i] - middle) > around)
            continue;
        sum += values[i];
        squares += square(values[i] - middle);
        used++;
    }
    size_t strays = count >= 8 ? (count + 99) / 100 : 0;
    bool scattered = count - used > 1 + count / 30;
    grid->mean_A[cell] = used ? sum / (double)used : middle;
    grid->spread_A[cell] =
        used > 1 ? sqrt(fmax(0, squares / (double)used - square(grid->mean_A[cell] - middle))) : 0;
    if (scattered)
        grid->spread_A[cell] = INFINITY;
    grid->low_A[cell] = values[strays];
    grid->high_A[cell] = values[count - 1 - strays];
    if (count < 12) {
        double room = 0.25 * (grid->high_A[cell] - grid->low_A[cell]);
        grid->low_A[cell] -= room;
        grid->high_A[cell] += room;
    }
}

static int fill_grid(struct grid *grid, const struct samples *samples, double noise_A)
{
    double *values = malloc((samples->count + 1) * sizeof *values);
    size_t *begin = calloc(grid->cells + 2, sizeof *begin);
    size_t *place = calloc(grid->cells + 2, sizeof *place);
    if (!values || !begin || !place) {
        free(values);
        free(begin);
        free(place);
        return -1;
    }
    for (size_t i = 0; i < samples->count; i++)
        begin[cell_of(grid, samples->items[i].since_s) + 1]++;
    for (size_t c = 0; c < grid->cells; c++) {
        begin[c + 1] += begin[c];
        place[c] = begin[c];
    }
    for (size_t i = 0; i < samples->count; i++)
        values[place[cell_of(grid, samples->items[i].since_s)]++] = samples->items[i].value_A;
    for (size_t c = 0; c < grid->cells; c++)
        fill_cell(grid, c, values + begin[c], begin[c + 1] - begin[c], noise_A);
    free(values);
    free(begin);
    free(place);
    /* An empty cell takes what its neighbour has. */
    for (size_t c = grid->cells - 1; c-- > 0;) {
        if (grid->count[c] > 0 || grid->count[c + 1] == 0)
            continue;
        grid->mean_A[c] = grid->mean_A[c + 1];
        grid->low_A[c] = grid->low_A[c + 1];
        grid->high_A[c] = grid->high_A[c + 1];
        grid->spread_A[c] = grid->spread_A[c + 1];
        grid->count[c] = grid->count[c + 1];
    }
    for (size_t c = 1; c < grid->cells; c++) {
        if (grid->count[c] > 0)
            continue;
        grid->mean_A[c] = grid->mean_A[c - 1];
        grid->low_A[c] = grid->low_A[c - 1];
        grid->high_A[c] = grid->high_A[c - 1];
        grid->spread_A[c] = grid->spread_A[c - 1];
        grid->count[c] = grid->count[c - 1];
    }
    return 0;
}

/* The level of the phase's second half. */
static double tail_level(const struct grid *grid)
{
    double sum = 0;
    double weight = 0;
    for (size_t c = grid->cells / 2; c < grid->cells; c++) {
        sum += grid->mean_A[c] * (double)grid->count[c];
        weight += (double)grid->count[c];
    }
    return weight > 0 ? sum / weight : grid->mean_A[grid->cells - 1];
}

/* How many cells from the beginning are not flat. */
static size_t bent_cells(const struct grid *grid, double noise_A)
{
    double tail = tail_level(grid);
    size_t bent = 0;
    for (size_t c = 0; c < grid->cells; c++) {
        double doubt = 3.5 * noise_A / sqrt((double)(grid->count[c] ? grid->count[c] : 1));
        if (fabs(grid->mean_A[c] - tail) > doubt + flat_share * fabs(tail))
            bent = c + 1;
    }
    return bent;
}

/* Root mean square of what is left about the shape, the furthest readings left
 * out; `share_apart` gets the share that is behind flat_from_s and outside the
 * shape's band by three of it and 6 %. */
static double residual_noise(const struct reference_phase *phase, const struct samples *samples,
                             double floor_A, double flat_from_s, double *share_apart)
{
    double *left = malloc((samples->count + 1) * sizeof *left);
    *share_apart = 0;
    if (!left || samples->count == 0) {
        free(left);
        return fmax(floor_A, least_noise_A);
    }
    for (size_t i = 0; i < samples->count; i++) {
        struct shape_band band = follow_shape(phase, samples->items[i].since_s, 0);
        left[i] = fabs(samples->items[i].value_A - band.mean_A);
    }
    double middle = median_of(left, samples->count); /* sorts */
    double noise = fmax(1.4826 * middle, floor_A);
    for (int pass = 0; pass < 6; pass++) {
        double sum = 0;
        size_t used = 0;
        while (used < samples->count && left[used] <= 4 * noise) {
            sum += square(left[used]);
            used++;
        }
        noise = fmax(fmax(floor_A, least_noise_A), used ? sqrt(sum / (double)used) : floor_A);
    }
    size_t apart = 0;
    double room = fmax(3 * noise + 0.06 * fabs(phase->level_A), count_or_two * floor_A);
    for (size_t i = 0; i < samples->count; i++) {
        if (samples->items[i].since_s < flat_from_s)
            continue;
        struct shape_band band = follow_shape(phase, samples->items[i].since_s, phase->cell_s);
        apart += samples->items[i].value_A < band.low_A - room ||
                 samples->items[i].value_A > band.high_A + room;
    }
    *share_apart = (double)apart / (double)samples->count;
    free(left);
    return noise;
}

static void use_grid(struct reference_phase *phase, const struct grid *grid, size_t bent,
                     double noise_A)
{
    size_t cells = bent ? bent + 1 : 1;
    if (cells > grid->cells)
        cells = grid->cells;
    phase->cell_count = cells;
    phase->cell_s = cells > 1 ? grid->cell_s : 0;
    double tail = tail_level(grid);
    for (size_t c = 0; c < cells; c++) {
        bool flat = c + 1 == cells && bent < grid->cells;
        double mean = flat ? tail : grid->mean_A[c];
        bool explained = flat || grid->spread_A[c] < 1.6 * noise_A;
        phase->shape_A[c] = mean;
        phase->shape_low_A[c] = explained ? mean : fmin(grid->low_A[c], mean);
        phase->shape_high_A[c] = explained ? mean : fmax(grid->high_A[c], mean);
    }
}

/* Up and down again and again, or cells wide apart late in the phase: pulses. */
static bool is_pulsed(const struct grid *grid, bool first, double level_A, double noise_A,
                      double floor_A)
{
    enum { FEWEST_CELLS = 10, CELLS_TO_SCATTER = 20 };
    size_t begin = first ? (size_t)(inrush_settled_s / grid->cell_s) + 1 : 1;
    if (grid->cells < begin + FEWEST_CELLS)
        return false;
    /* Of cells over all known-goods; the edges of pulses are no noise. */
    double step = 0.06 * fabs(level_A) + 6 * fmin(noise_A, 0.02 * fabs(level_A));
    step = fmax(step, count_or_two * floor_A);
    int turns = 0;
    int direction = 0;
    size_t wide = 0;
    double from = grid->mean_A[begin];
    for (size_t c = begin + 1; c < grid->cells; c++) {
        double move = grid->mean_A[c] - from;
        int now = move > step ? 1 : move < -step ? -1 : 0;
        if (now != 0) {
            turns += direction != 0 && now != direction;
            direction = now;
            from = grid->mean_A[c];
        } else if (direction * move > 0) {
            from = grid->mean_A[c];
        }
        if (c > grid->cells / 3 && grid->count[c] > 0 && isinf(grid->spread_A[c]) &&
            grid->high_A[c] - grid->low_A[c] > step)
            wide++;
    }
    return turns >= 4 || (grid->cells >= begin + CELLS_TO_SCATTER && wide > 2 + grid->cells / 10);
}

/* Mean of the shape over the phase's length. */
static double mean_over(const struct reference_phase *phase, double duration_s)
{
    enum { PIECES = 200 };
    double sum = 0;
    for (int k = 0; k < PIECES; k++)
        sum += follow_shape(phase, duration_s * (k + 0.5) / PIECES, 0).mean_A;
    return sum / PIECES;
}

static void name_kind(struct reference_phase *phase, double duration_s)
{
    phase->kind = PHASE_LEVEL;
    size_t last = phase->cell_count - 1;
    if (last < 3 || (double)last * phase->cell_s < 0.6 * duration_s)
        return;
    double from = phase->shape_A[1];
    double to = phase->shape_A[last];
    double half = phase->shape_A[(1 + last) / 2];
    bool straight = fabs(half - 0.5 * (from + to)) < 0.15 * fabs(to - from);
    phase->kind = straight ? PHASE_RAMP : PHASE_DECAY;
}

/* Noise from each reading beside the mean of its neighbours, before any shape is
 * known: slopes cancel, and of their median an inrush is no part. */
static double difference_noise(const struct course *courses, size_t course_count, size_t p,
                               size_t phase_count, double floor_A)
{
    size_t total = 0;
    for (size_t c = 0; c < course_count; c++)
        if (courses[c].follows)
            total += course_phase_end(&courses[c], p, phase_count) - courses[c].starts[p];
    double *steps = malloc((total + 1) * sizeof *steps);
    if (!steps)
        return floor_A;
    size_t count = 0;
    for (size_t c = 0; c < course_count; c++) {
        if (!courses[c].follows)
            continue;
        size_t to = course_phase_end(&courses[c], p, phase_count);
        for (size_t i = courses[c].starts[p] + 2; i + 1 < to; i++) {
            const struct reading *r = &courses[c].readings[i];
            steps[count++] = fabs(r->current_A - 0.5 * (r[-1].current_A + r[1].current_A));
        }
    }
    double noise = count ? 1.4826 * median_of(steps, count) / sqrt(1.5) : 0;
    free(steps);
    return fmax(floor_A, noise);
}

static int build_phase(struct reference *reference, const struct course *courses,
                       size_t course_count, size_t p, size_t phase_count, const double *lengths_s,
                       bool paced)
{
    struct reference_phase *phase = &reference->phases[p];
    *phase = (struct reference_phase){.duration_s = fmax(lengths_s[p], 1e-6), .paced = paced};
    double floor_A = fmax(reference->accuracy.current_resolution_A / sqrt(12.0), least_noise_A);
    struct samples samples = {0};
    double noise = difference_noise(courses, course_count, p, phase_count, floor_A);
    if (gather(reference, courses, course_count, p, phase_count, noise, &phase->level_A,
               &samples) != 0)
        return -1;
    phase->period_s = phase->duration_s = phase->duration_low_s = phase->duration_high_s = NAN;
    phase->exponent = 0;
    phase->exponent_u = 0.7;
    double interval = reference->reading_interval_s;
    double extent = lengths_s[p];
    struct grid grid = {0};
    size_t bent = 0;
    int status = 0;
    bool pulsed = false;
    for (int pass = 0; pass < 2 && status == 0; pass++) {
        grid = (struct grid){.cell_s = fmax(interval, extent / (REFERENCE_MOST_CELLS - 1))};
        double cells = ceil(lengths_s[p] / grid.cell_s) + 1;
        grid.cells = (size_t)fmin(fmax(cells, 2), REFERENCE_MOST_CELLS);
        status = fill_grid(&grid, &samples, noise);
        bent = bent_cells(&grid, noise);
        if (pass == 0)
            pulsed = is_pulsed(&grid, p == 0, phase->level_A, noise, floor_A);
        extent = 1.3 * (double)(bent + 1) * grid.cell_s;
        if (bent == 0 || extent > 0.6 * lengths_s[p] || grid.cell_s <= 1.01 * interval)
            break;
    }
    double apart = 0;
    if (status == 0 && samples.count > 0) {
        use_grid(phase, &grid, bent, noise);
        phase->noise_A =
            residual_noise(phase, &samples, floor_A, (double)bent * grid.cell_s, &apart);
        /* Of what is left about a shape, the readings' own noise is the part
         * that changes from one to the next; the rest is how power-ups differ. */
        phase->spread_A = phase->noise_A;
        if (phase->cell_count > 1)
            phase->noise_A = fmin(phase->noise_A, noise);
        name_kind(phase, lengths_s[p]);
        if (phase->kind != PHASE_LEVEL)
            phase->level_A = mean_over(phase, lengths_s[p]);
        else
            phase->level_A = phase->shape_A[phase->cell_count - 1];
        double swing_s = NAN;
        status = pulses_find_swing(courses, course_count, p, phase_count, &swing_s);
        if (status == 0 && (pulsed || apart > pulse_share || swing_s > 0) && samples.count >= 20 &&
            lengths_s[p] >= PULSES_LEAST * interval)
            status = pulses_use(phase, &samples);
        if (status == 0 && phase->kind == PHASE_PERIODIC)
            status =
                pulses_find_plateaus(phase, &samples, reference->accuracy.current_resolution_A);
        if (phase->kind == PHASE_PERIODIC)
            pulses_measure_stays(phase, courses, course_count, p, phase_count);
        /* Noise about the middle rises, too. */
        if (phase->kind == PHASE_PERIODIC && swing_s > 0 && !level_has_plateaus(phase))
            phase->period_s = swing_s;
    } else {
        phase->cell_count = 1;
        phase->shape_A[0] = phase->shape_low_A[0] = phase->shape_high_A[0] = phase->level_A;
        phase->noise_A = phase->spread_A = noise;
    }
    free(samples.items);
    return status;
}

static bool is_sloped(const struct reference_phase *phase)
{
    return phase->kind == PHASE_RAMP || phase->kind == PHASE_DECAY;
}

/* A slope that keeps to the phase's own length, be it short or long, scatters
 * less about a shape learned at that pace. */
static int choose_pace(struct reference *reference, const struct course *courses,
                       size_t course_count, size_t p, size_t phase_count, const double *lengths_s)
{
    if (build_phase(reference, courses, course_count, p, phase_count, lengths_s, false) != 0)
        return -1;
    struct reference_phase *phase = &reference->phases[p];
    /* Ramps of many paces laid over each other may look like pulses. */
    if (p + 1 == phase_count || phase->kind == PHASE_LEVEL)
        return 0;
    struct reference_phase in_seconds = *phase;
    if (build_phase(reference, courses, course_count, p, phase_count, lengths_s, true) != 0)
        return -1;
    if (!is_sloped(phase) || phase->spread_A > paced_share * in_seconds.spread_A)
        *phase = in_seconds;
    return 0;
}

int template_build(struct reference *reference, struct course *courses, size_t course_count,
                   size_t phase_count)
{
    free(reference->phases);
    reference->phase_count = 0;
    reference->phases = calloc(phase_count, sizeof *reference->phases);
    double *values = malloc((course_count + 1) * sizeof *values);
    if (!reference->phases || !values) {
        free(values);
        return -1;
    }
    reference->phase_count = phase_count;
    double lengths_s[REFERENCE_MOST_PHASES];
    for (size_t p = 0; p < phase_count; p++) {
        size_t count = 0;
        for (size_t c = 0; c < course_count; c++) {
            const struct course *course = &courses[c];
            if (!course->follows)
                continue;
            size_t end = course_phase_end(course, p, phase_count);
            values[count++] = course->readings[end < course->count ? end : end - 1].time_s -
                              course->readings[course->starts[p]].time_s;
        }
        lengths_s[p] = median_of(values, count);
    }
    free(values);
    for (size_t p = 0; p < phase_count; p++) {
        if (choose_pace(reference, courses, course_count, p, phase_count, lengths_s) != 0)
            return -1;
        if (p + 1 < phase_count)
            reference->phases[p].duration_s = fmax(lengths_s[p], 1e-6);
    }
    return 0;
}
