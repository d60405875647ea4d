/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs many benches through reference_build and judge_trace and counts.
 */
#ifndef TESTS_ACCURACY_TALLY_H
#define TESTS_ACCURACY_TALLY_H

#include "accuracy/generator.h"

#include <stdbool.h>
#include <stddef.h>

struct campaign {
    int seeds;
    uint64_t first_seed;
    int good_units, faulty_units; /* judged per bench */
    int units;                    /* known-goods, of four power-ups each */
    struct spreads spreads;
    int repeats;
    double judged_volts_share; /* voltage of the judged ones, off by this */
    bool two_volts;            /* known-goods taught at two voltages */
    bool tell;                 /* print every error */
    bool tell_delays;          /* print every delay of a bad verdict */
    bool oracle;               /* put the traces to the one who knows everything */
    const char *keep_in;       /* a directory for the files of errors; NULL: none */
};

/* Errors are counted where the supply can resolve the smallest fault in every
 * phase; elsewhere only in the columns behind. */
struct set_counts {
    long good, faulty, false_bad, missed, unsure_good, unsure_faulty;
};
struct oracle_tally {
    long good, called, faulty, missed;
};

struct tally {
    long good, false_bad, unsure_good;
    long faulty, missed, unsure_faulty;
    long coarse_good, coarse_good_unsure, coarse_false_bad;
    long coarse_faulty, coarse_missed;
    long references, references_erring; /* with a false bad or a miss */
    double *delays;                     /* readings from the first that can show the fault */
    size_t delay_count, delay_capacity;
    long by_fault[FAULT_COUNT][3]; /* good, bad, unsure */
    long prefix_broken;
    struct set_counts *sets;       /* one a reference */
    struct oracle_tally oracle[2]; /* resolvable, coarse */
    long level[2][3];              /* levels off: good, bad, unsure; likewise */
    long kept;
};

/* One type on one supply, taught. */
struct accuracy_bench {
    struct dice dice;
    struct module_type type;
    struct bench_supply supply;
    struct reference *reference;
    bool coarse; /* the supply cannot resolve the smallest fault in every step */
};
void accuracy_bench_begin(const struct campaign *campaign, uint64_t seed, int kind, int which,
                          struct accuracy_bench *bench);
void accuracy_bench_end(struct accuracy_bench *bench);

/* Upper 95 % limit, in percent, of one count among another (offsets within
 * struct set_counts) over so many reference sets. */
double accuracy_upper_limit(const struct set_counts *all, size_t sets, size_t wrong_at,
                            size_t of_at);
double accuracy_percent(long part, long whole);

bool campaign_set_variant(struct campaign *campaign, const char *name);

/* Units judged on 2, 4 and 8 power-ups together: prints the table. */
void together_run(const struct campaign *campaign);

void campaign_run(const struct campaign *campaign, struct tally *tally);
void tally_print_head(void);
void tally_print(const struct tally *tally, int units);
void tally_print_limits(const struct tally *tally);
void tally_print_oracle(const struct tally *tally);
void tally_clear(struct tally *tally);

#endif
