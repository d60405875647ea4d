/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/arrivals.h"

#include <math.h>

static const double RATE_WINDOW_S = 5.0;
static const double SHORTEST_GAP_S = 0.05;

void arrivals_note(struct arrivals *arrivals, double at_s)
{
    if (arrivals->count > 1) {
        double last_s = arrivals->at_s[(arrivals->first + arrivals->count - 1) % ARRIVALS_WINDOW];
        double mean_s = (last_s - arrivals->at_s[arrivals->first]) / (double)(arrivals->count - 1);
        if (at_s - last_s > 3 * mean_s && at_s - last_s > SHORTEST_GAP_S)
            arrivals->gaps++;
    }
    if (arrivals->count == ARRIVALS_WINDOW) {
        arrivals->first = (arrivals->first + 1) % ARRIVALS_WINDOW;
        arrivals->count--;
    }
    arrivals->at_s[(arrivals->first + arrivals->count) % ARRIVALS_WINDOW] = at_s;
    arrivals->count++;
    while (arrivals->count > 2 && at_s - arrivals->at_s[arrivals->first] > RATE_WINDOW_S) {
        arrivals->first = (arrivals->first + 1) % ARRIVALS_WINDOW;
        arrivals->count--;
    }
}

void arrivals_describe(const struct arrivals *arrivals, struct polling_status *status)
{
    status->gaps = arrivals->gaps;
    status->rate_hz = status->jitter_s = status->longest_gap_s = NAN;
    if (arrivals->count < 3)
        return;
    double first_s = arrivals->at_s[arrivals->first];
    double last_s = arrivals->at_s[(arrivals->first + arrivals->count - 1) % ARRIVALS_WINDOW];
    double intervals = (double)(arrivals->count - 1);
    double mean_s = (last_s - first_s) / intervals;
    double squares = 0;
    double longest_s = 0;
    for (size_t i = 1; i < arrivals->count; i++) {
        double interval_s = arrivals->at_s[(arrivals->first + i) % ARRIVALS_WINDOW] -
                            arrivals->at_s[(arrivals->first + i - 1) % ARRIVALS_WINDOW];
        squares += (interval_s - mean_s) * (interval_s - mean_s);
        longest_s = fmax(longest_s, interval_s);
    }
    status->rate_hz = 1 / mean_s;
    status->jitter_s = sqrt(squares / intervals);
    status->longest_gap_s = longest_s;
}
