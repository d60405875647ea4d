/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/noise.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

enum { TREND_REACH = 7, LOCAL_REACH = 10, LOCAL_STRIDE = 8, LOCAL_MOST = 2 * LOCAL_REACH + 1 };
enum {
    CORRELATION_LEAST = 60,
    REPEATS_LEAST = 16,
    REPEATS_MOST = 8,
    QUIET_LEAST = 8,
    SHORTER_LEAST = 6
};

#define LEAST_DEVIATION_A 1e-5
#define COARSEST_COUNT_A 0.02
#define SAME_SHARE 1.25       /* differences within this of the smallest are "equal" */
#define SIXTY_PERCENT 0.84162 /* of |z|: the normal quantile of 0.8 */
#define LOCAL_PRIOR 8.0       /* how many differences the whole row's estimate is worth */

/* The value that so large a share of them lies below; moves them about. */
static double quantile_of(double *values, size_t count, double share)
{
    return gsl_stats_select(values, 1, count, (size_t)(share * (double)count));
}

static bool all_multiples(const double *values, size_t count, double step)
{
    for (size_t i = 0; i < count; i++) {
        double whole = values[i] / step;
        if (fabs(whole - nearbyint(whole)) > 1e-5)
            return false;
    }
    return true;
}

static double decimal_step(const double *values, size_t count)
{
    static const double steps[] = {1e-2, 5e-3, 2e-3, 1e-3, 5e-4, 2e-4, 1e-4,
                                   5e-5, 2e-5, 1e-5, 5e-6, 2e-6, 1e-6};
    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++)
        if (all_multiples(values, count, steps[i]))
            return steps[i];
    return 1e-7;
}

/* A converter's count need not be decimal: then the smallest differences pile
 * up at it. `sizes` are the differences' sizes. */
static double learn_count(const double *values, size_t count, const double *sizes,
                          size_t size_count)
{
    double step = decimal_step(values, count);
    double least = INFINITY;
    size_t changes = 0;
    for (size_t i = 0; i < size_count; i++) {
        if (sizes[i] < 0.5 * step)
            continue;
        least = sizes[i] < least ? sizes[i] : least;
        changes++;
    }
    if (!changes || least > COARSEST_COUNT_A || least < 3 * step)
        return step;
    size_t equal = 0;
    for (size_t i = 0; i < size_count; i++)
        equal += sizes[i] >= 0.5 * step && sizes[i] <= SAME_SHARE * least;
    return equal >= 5 && 4 * equal >= changes ? least : step;
}

/* The same where the noise is so small that many a conversion shows the value
 * before: fresh readings would change at any of them, and so now and then twice
 * in a row; repeats change only where a conversion is. A ramp's steps, which go
 * one way, and a load that switches are no noise. */
static double quiet_repeats(const double *values, size_t count, double count_A)
{
    size_t lengths[REPEATS_MOST + REPEATS_MOST / 2 + 1] = {0};
    size_t longest = sizeof lengths / sizeof *lengths - 1;
    size_t runs = 0;
    size_t reversed = 0;
    size_t switched = 0;
    size_t from = 0;
    size_t total = 0;
    double before = 0;
    for (size_t i = 1; i < count; i++) {
        double change = values[i] - values[i - 1];
        if (fabs(change) < 0.5 * count_A)
            continue;
        if (from) {
            size_t length = i - from;
            lengths[length < longest ? length : longest]++;
            total += length;
            runs++;
            reversed += (change > 0) != (before > 0);
            switched += fabs(change) > 1.5 * count_A && fabs(change + before) < 0.5 * count_A;
        }
        before = change;
        from = i;
    }
    if (runs < QUIET_LEAST || 5 * reversed < 2 * runs || 5 * switched > runs)
        return 1;
    double stays = 1 - (double)runs / (double)total;
    for (size_t repeats = REPEATS_MOST; repeats > 1; repeats--) {
        size_t shorter = 0;
        for (size_t k = 1; k < repeats; k++)
            shorter += lengths[k];
        double expected = (double)runs * (1 - pow(stays, (double)repeats - 1));
        if (expected < SHORTER_LEAST || 20 * shorter > runs)
            continue;
        double sum = 0;
        size_t used = 0;
        for (size_t k = repeats; k <= repeats + repeats / 2; k++) {
            sum += (double)(k * lengths[k]);
            used += lengths[k];
        }
        return used ? sum / (double)used : 1;
    }
    return 1;
}

/* Readings a conversion. Runs of equal values are repeats, not rounding, where
 * most changes are wider than a count, seldom lead straight back (as a load
 * that switches does), and come at much the same spacing. */
static double learn_repeats(const double *values, size_t count, double count_A)
{
    size_t runs = 0;
    size_t wide = 0;
    size_t back = 0;
    size_t from = 0;
    size_t single = 0;
    double before = NAN;
    double sum = 0;
    double square = 0;
    for (size_t i = 1; i < count; i++) {
        double change = fabs(values[i] - values[i - 1]);
        if (change < 0.5 * count_A)
            continue;
        wide += change > 1.5 * count_A;
        back += fabs(values[i] - before) < 0.5 * count_A;
        before = values[i - 1];
        if (runs) {
            double length = (double)(i - from);
            sum += length;
            square += length * length;
            single += i - from == 1;
        }
        runs++;
        from = i;
    }
    if (2 * wide < runs)
        return quiet_repeats(values, count, count_A);
    if (runs < REPEATS_LEAST || 3 * back > runs || 4 * single > runs)
        return 1;
    double mean = sum / (double)(runs - 1);
    double variance = square / (double)(runs - 1) - mean * mean;
    bool throughout = sum > 0.8 * (double)count;
    return throughout && mean > 1.5 && variance < 0.5 * mean * mean ? mean : 1;
}

/* Mean square of the differences that are noise, not changes of phase. */
static double clipped_square(const double *sizes, size_t count, double from, double count_A)
{
    double deviation = from;
    for (int round = 0; round < 3; round++) {
        double limit = fmax(4 * sqrt(2) * deviation, 1.5 * count_A);
        double sum = 0;
        size_t used = 0;
        for (size_t i = 0; i < count; i++) {
            bool is_noise = sizes[i] <= limit;
            sum += is_noise ? sizes[i] * sizes[i] : 0;
            used += is_noise;
        }
        if (!used)
            break;
        deviation = sqrt(sum / (double)used / 2);
    }
    return deviation * deviation * 2;
}

/* White noise has differences correlated by -1/2, noise of correlation phi by
 * -(1 - phi)/2. Taken only where it stands out of its own uncertainty, and only
 * from where no trend feigns it. */
static double learn_correlation(const double *steps, const double *trends, size_t count,
                                double deviation)
{
    double product = 0;
    double square = 0;
    size_t moving = 0;
    for (size_t i = 1; i < count; i++) {
        const double trend = fmax(fabs(trends[i]), fabs(trends[i - 1]));
        if (fabs(steps[i]) > 4 * deviation || fabs(steps[i - 1]) > 4 * deviation ||
            trend > 0.5 * deviation)
            continue;
        product += steps[i] * steps[i - 1];
        square += 0.5 * (steps[i] * steps[i] + steps[i - 1] * steps[i - 1]);
        moving += steps[i] != 0;
    }
    if (moving < CORRELATION_LEAST || square <= 0)
        return 0;
    double phi = 1 + 2 * product / square;
    phi -= 2 * 2 * 0.7 / sqrt((double)moving);
    return fmax(0, fmin(0.9, phi));
}

/* A few values in order, by insertion; the one at a share of the way. */
static double share_of(const double *values, size_t count, double share)
{
    double sorted[LOCAL_MOST];
    size_t n = 0;
    for (size_t i = 0; i < count && i < LOCAL_MOST; i++) {
        size_t at = n++;
        for (; at > 0 && sorted[at - 1] > values[i]; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = values[i];
    }
    return n ? sorted[(size_t)(share * (double)n)] : 0;
}

struct window {
    size_t from, to;
};

/* The steps about the stride that begins at `at`. */
static struct window window_about(size_t at, size_t reach, size_t count)
{
    size_t middle = at + LOCAL_STRIDE / 2;
    struct window w = {middle > reach ? middle - reach : 0,
                       middle + reach + 1 < count ? middle + reach + 1 : count};
    if (w.from > w.to)
        w.from = w.to;
    return w;
}

/* The value of the last fresh reading, and no conversion since can have shown
 * it once more. */
static bool is_repeat(const double *current_A, size_t last, size_t i, const struct noise *noise)
{
    return noise->repeats > 1 && fabs(current_A[i] - current_A[last]) < 0.5 * noise->count_A &&
           (double)(i - last) < noise->repeats - 0.25;
}

/* Differences of fresh readings, of a row. `trends` and `sizes` hold count
 * values and are only lent; `index` is of the later reading of each. */
struct fresh_row {
    size_t n;
    double *steps, *trends, *sizes;
    size_t *index;
};

static void fresh_row_clear(struct fresh_row *row)
{
    free(row->steps);
    free(row->index);
}

/* Differences between fresh readings, less the trend about them (the median of
 * 15), so that ramps are not taken for noise. Returns how many. */
static size_t fresh_steps(const double *current_A, size_t count, const struct noise *noise,
                          struct fresh_row *row)
{
    double *steps = row->steps;
    double *trends = row->trends;
    size_t n = 0;
    size_t last = 0;
    for (size_t i = 1; i < count; i++) {
        if (is_repeat(current_A, last, i, noise))
            continue;
        row->index[n] = i;
        steps[n++] = current_A[i] - current_A[last];
        last = i;
    }
    for (size_t at = 0; at < n; at += LOCAL_STRIDE) {
        struct window w = window_about(at, TREND_REACH, n);
        trends[at] = share_of(steps + w.from, w.to - w.from, 0.5);
        for (size_t i = at + 1; i < n && i < at + LOCAL_STRIDE; i++)
            trends[i] = trends[at];
    }
    for (size_t i = 0; i < n; i++)
        steps[i] -= trends[i];
    return n;
}

static int learn(const double *current_A, size_t count, double count_A, struct noise *noise,
                 struct fresh_row *row)
{
    *noise = (struct noise){.count_A = count_A, .repeats = 1};
    row->steps = malloc((3 * count + 1) * sizeof *row->steps);
    row->index = malloc((count + 1) * sizeof *row->index);
    if (!row->steps || !row->index)
        return -1;
    double *sizes = row->sizes = row->steps + count;
    row->trends = sizes + count;
    size_t n = 0;
    for (size_t i = 1; i < count; i++)
        sizes[n++] = fabs(current_A[i] - current_A[i - 1]);
    if (!(count_A > 0))
        noise->count_A = learn_count(current_A, count, sizes, n);
    noise->floor_A = fmax(noise->count_A / sqrt(12), LEAST_DEVIATION_A);
    noise->repeats = learn_repeats(current_A, count, noise->count_A);
    n = row->n = fresh_steps(current_A, count, noise, row);
    for (size_t i = 0; i < n; i++)
        sizes[i] = fabs(row->steps[i]);
    double quantile = n ? quantile_of(sizes, n, 0.6) / (SIXTY_PERCENT * sqrt(2)) : 0;
    double square = clipped_square(sizes, n, fmax(quantile, noise->floor_A), noise->count_A);
    double deviation = fmax(sqrt(square), 0.4 * noise->count_A);
    noise->correlation = learn_correlation(row->steps, row->trends, n, deviation);
    noise->deviation_A = fmax(noise->floor_A, sqrt(square / 2 / (1 - noise->correlation)));
    return 0;
}

int noise_learn(const double *current_A, size_t count, double count_A, struct noise *noise)
{
    struct fresh_row row;
    int status = learn(current_A, count, count_A, noise, &row);
    fresh_row_clear(&row);
    return status;
}

static void find_local(size_t count, const struct noise *noise, struct fresh_row *row,
                       double *deviation_A)
{
    double *sizes = row->steps;
    for (size_t i = 0; i < row->n; i++)
        sizes[i] = fabs(sizes[i]);
    double whole = noise->deviation_A * noise->deviation_A;
    size_t filled = 0;
    for (size_t at = 0; at < row->n; at += LOCAL_STRIDE) {
        struct window w = window_about(at, LOCAL_REACH, row->n);
        double used = (double)(w.to - w.from);
        double local = share_of(sizes + w.from, w.to - w.from, 0.6) / (SIXTY_PERCENT * sqrt(2));
        double square = local * local / (1 - noise->correlation);
        double mixed = (used * square + LOCAL_PRIOR * whole) / (used + LOCAL_PRIOR);
        double deviation = fmax(noise->floor_A, sqrt(mixed));
        size_t until = at + LOCAL_STRIDE < row->n ? row->index[at + LOCAL_STRIDE] : count;
        for (; filled < until; filled++)
            deviation_A[filled] = deviation;
    }
    for (; filled < count; filled++)
        deviation_A[filled] = noise->deviation_A;
}

int noise_learn_local(const double *current_A, size_t count, double count_A, struct noise *noise,
                      double *deviation_A)
{
    struct fresh_row row;
    int status = learn(current_A, count, count_A, noise, &row);
    if (status == 0)
        find_local(count, noise, &row, deviation_A);
    fresh_row_clear(&row);
    return status;
}

double noise_within(const double *current_A, size_t count, const struct noise *noise,
                    double *scratch)
{
    size_t n = 0;
    size_t last = 0;
    for (size_t i = 1; i < count; i++) {
        if (is_repeat(current_A, last, i, noise))
            continue;
        scratch[n++] = current_A[i] - current_A[last];
        last = i;
    }
    double local = 0;
    if (n) {
        double trend = quantile_of(scratch, n, 0.5);
        for (size_t i = 0; i < n; i++)
            scratch[i] = fabs(scratch[i] - trend);
        local = quantile_of(scratch, n, 0.6) / (SIXTY_PERCENT * sqrt(2));
    }
    double square = local * local / (1 - noise->correlation);
    double whole = noise->deviation_A * noise->deviation_A;
    double used = fmin((double)n, 1e3);
    return fmax(noise->floor_A, sqrt((used * square + LOCAL_PRIOR * whole) / (used + LOCAL_PRIOR)));
}

double noise_lag1(const double *values, size_t count)
{
    double mean = 0;
    for (size_t i = 0; i < count; i++)
        mean += (values[i] - mean) / (double)(i + 1);
    double product = 0;
    double square = 0;
    for (size_t i = 0; i < count; i++) {
        double d = values[i] - mean;
        square += d * d;
        if (i > 0)
            product += d * (values[i - 1] - mean);
    }
    return square > 0 ? product / square : (double)NAN;
}
