/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which sharp changes the known-goods share: common subsequences of changes
 * alike in direction, size, levels and time.
 */
#include "reference/course.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_CHANGES = 200 };
/* Half the known-goods must show a change by themselves; whether it is there is
 * then put to all of them by following the template it makes. */
static const double support_needed = 0.5;
static const double time_share = 0.30; /* by which a change may be earlier or later */
static const double level_share = 0.25;

static bool alike_levels(const double a[2], const double b[2], double noise_A, bool pulses)
{
    double jump_a = a[1] - a[0];
    double jump_b = b[1] - b[0];
    if (!pulses && jump_a * jump_b <= 0)
        return false;
    double size = fmax(fmax(fabs(a[0]), fabs(a[1])), fmax(fabs(b[0]), fabs(b[1])));
    return fabs(a[0] - b[0]) < level_share * size + noise_A &&
           fabs(a[1] - b[1]) < level_share * size + noise_A &&
           (pulses || fabs(jump_a - jump_b) < 0.5 * fmax(fabs(jump_a), fabs(jump_b)) + noise_A);
}

static bool alike(const struct change *a, const struct change *b, double gap_s)
{
    /* Where both lead to or from pulses, that is what they share. */
    bool pulses = (a->from_pulses && b->from_pulses) || (a->to_pulses && b->to_pulses);
    double noise = 5 * fmax(a->noise_A, b->noise_A);
    double late = fabs(a->time_s - b->time_s);
    double longer = fmax(a->time_s, b->time_s);
    if (late > time_share * longer + 3 * gap_s)
        return false;
    /* At the change itself, or where something short stands there, by what it parts. */
    const double edges_a[2] = {a->from_A, a->to_A};
    const double edges_b[2] = {b->from_A, b->to_A};
    const double levels_a[2] = {a->before_A, a->after_A};
    const double levels_b[2] = {b->before_A, b->after_A};
    return alike_levels(edges_a, edges_b, noise, pulses) ||
           (!pulses && alike_levels(levels_a, levels_b, noise, false));
}

/* Longest common subsequence; partner[i] is the match of a's change i in b, or
 * SIZE_MAX. Returns its length. */
static size_t match(const struct course *a, const struct course *b, size_t *partner)
{
    static const size_t most = MOST_CHANGES;
    size_t rows = a->change_count < most ? a->change_count : most;
    size_t columns = b->change_count < most ? b->change_count : most;
    size_t width = columns + 1;
    unsigned short *length = calloc((rows + 1) * width, sizeof *length);
    for (size_t i = 0; i < a->change_count; i++)
        partner[i] = SIZE_MAX;
    if (!length)
        return 0;
    double gap = fmax(a->interval_s, b->interval_s);
    for (size_t i = rows; i-- > 0;) {
        for (size_t j = columns; j-- > 0;) {
            unsigned short skip_a = length[(i + 1) * width + j];
            unsigned short skip_b = length[i * width + j + 1];
            unsigned short best = skip_a > skip_b ? skip_a : skip_b;
            if (alike(&a->changes[i], &b->changes[j], gap)) {
                unsigned short both = (unsigned short)(length[(i + 1) * width + j + 1] + 1);
                best = both > best ? both : best;
            }
            length[i * width + j] = best;
        }
    }
    size_t total = length[0];
    for (size_t i = 0, j = 0; i < rows && j < columns;) {
        if (alike(&a->changes[i], &b->changes[j], gap) &&
            length[i * width + j] == length[(i + 1) * width + j + 1] + 1) {
            partner[i++] = j++;
        } else if (length[(i + 1) * width + j] >= length[i * width + j + 1]) {
            i++;
        } else {
            j++;
        }
    }
    free(length);
    return total;
}

static double share(size_t part, size_t whole)
{
    return whole ? (double)part / (double)whole : 1;
}

size_t consensus_find(const struct course *courses, size_t course_count, size_t most, size_t *kept,
                      double *support, size_t *count)
{
    size_t central = 0;
    double best = -INFINITY;
    size_t *partner = calloc(MOST_CHANGES + 1000, sizeof *partner);
    *count = 0;
    for (size_t c = 0; partner && c < course_count; c++) {
        if (courses[c].change_count > MOST_CHANGES)
            continue;
        double total = 0;
        for (size_t o = 0; o < course_count; o++) {
            size_t common = match(&courses[c], &courses[o], partner);
            /* Shared changes count for it, its own and the other's against. */
            total += 2 * (double)common - 0.5 * (double)courses[c].change_count -
                     0.5 * (double)courses[o].change_count;
        }
        if (total > best) {
            best = total;
            central = c;
        }
    }
    const struct course *middle = &courses[central];
    for (size_t i = 0; partner && i < middle->change_count && i < MOST_CHANGES; i++) {
        size_t seen = 0;
        for (size_t o = 0; o < course_count; o++) {
            if (o == central)
                continue;
            match(middle, &courses[o], partner);
            seen += partner[i] != SIZE_MAX;
        }
        double found = share(seen, course_count - 1);
        if (found >= support_needed && *count < most) {
            kept[*count] = i;
            support[(*count)++] = found;
        }
    }
    free(partner);
    return central;
}

void consensus_match(const struct course *central, const size_t *kept, size_t count,
                     const struct course *course, size_t *readings)
{
    size_t *partner = calloc(central->change_count + 1, sizeof *partner);
    if (partner)
        match(central, course, partner);
    for (size_t i = 0; i < count; i++) {
        size_t other = partner ? partner[kept[i]] : SIZE_MAX;
        readings[i] = other == SIZE_MAX ? SIZE_MAX : course->changes[other].reading;
    }
    free(partner);
}
