/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the server counts for /metrics. Every function may be called from any
 * thread and never waits for more than a few instructions.
 */
#ifndef WAKEDRAW_HTTP_TALLY_H
#define WAKEDRAW_HTTP_TALLY_H

#include <stdint.h>

enum tally_counter {
    TALLY_EVENTS_LOST,     /* reading events a slow stream did without */
    TALLY_STREAMS_CUT,     /* streams ended because their reader was too slow */
    TALLY_STREAMS_REFUSED, /* too many at once */
    TALLY_ANSWERS_2XX,
    TALLY_ANSWERS_3XX,
    TALLY_ANSWERS_4XX,
    TALLY_ANSWERS_5XX,
    TALLY_COUNTERS
};

enum tally_timing {
    TALLY_EVENT_WRITE, /* from an event handed in to its bytes handed to the socket */
    TALLY_JUDGING,     /* a step of the judge that gave a verdict */
    TALLY_COMMIT,      /* a verdict's commit to the disk */
    TALLY_TIMINGS
};

enum { TALLY_BUCKETS = 12 }; /* the last has no upper bound */

struct timing {
    uint64_t buckets[TALLY_BUCKETS]; /* not summed up */
    uint64_t count;
    double sum_s;
};

struct tally;

struct tally *tally_create(void); /* NULL: memory is out */
void tally_destroy(struct tally *tally);

void tally_count(struct tally *tally, enum tally_counter counter, uint64_t by);
void tally_time(struct tally *tally, enum tally_timing timing, double seconds);

/* Takes the times that a verdict's event tells once it is kept. */
void tally_event(struct tally *tally, const char *name, const char *data);

uint64_t tally_total(struct tally *tally, enum tally_counter counter);
struct timing tally_timing(struct tally *tally, enum tally_timing timing);
double tally_bound_s(int bucket); /* infinite for the last */

#endif
