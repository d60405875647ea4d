/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is known of each supply right now, written by the polling threads and
 * the chain, read by the pages: all under one mutex, held for a copy's time.
 */
#ifndef WAKEDRAW_BENCH_STATUS_H
#define WAKEDRAW_BENCH_STATUS_H

#include "bench/config.h"
#include "bench/output_wish.h"
#include "store/store.h"
#include "supply/supply.h"
#include "verdict/judge.h"

#include <jansson.h>
#include <pthread.h>
#include <stdatomic.h>

/* Written by the polling thread. */
struct polling_status {
    bool connected;
    bool tried;        /* false: not one attempt has ended yet */
    char problem[700]; /* why it is not connected, or not read */
    struct wire_state wire;
    double rate_hz;       /* readings/s over the last 5 s */
    double jitter_s;      /* standard deviation of the intervals over the same */
    double longest_gap_s; /* the longest interval over the same */
    uint64_t gaps;        /* intervals over three times the mean, and 50 ms, since start */
    uint64_t dropped;     /* readings that found the queue full */
    double voltage_set_V, limit_set_A; /* NAN: not known */
};

/* Written by the chain. */
struct chain_status {
    struct reading last;    /* time on the bench's running clock */
    double last_received_s; /* monotonic; NAN: none yet */
    int64_t last_wall_us;
    int64_t open_id;       /* 0: no power-up is open */
    int reference_version; /* 0: none */
    struct on_bench on_bench;
    int64_t last_ended_us; /* the last power-up's end, wall time; 0: none */
    int64_t run_id;        /* the open run; 0: none */
    bool run_switches;     /* and it is switched by us */
    uint64_t commits;      /* jobs of power-ups that are on the disk */
    bool ask_unit;         /* after a longer off: is it still this unit? */
    uint64_t flushes_wanted, flushes_done;
    double judging_s; /* reading's receipt to verdict, of the last verdict */
    double commit_s;  /* of the last commit */
    uint64_t readings, repeats, power_ups, not_kept;
    uint64_t verdicts[3]; /* by enum verdict_kind */
};

/* What became of what was asked of the output; written by the polling thread. */
struct output_status {
    bool ours;       /* on, and switched on by us */
    bool off_wanted; /* off was asked for and is not confirmed: the switch on the supply is left */
    bool held;       /* nothing is switched or set by itself */
    char doing[40];  /* "", "setting", "looking", "waiting for the voltage to fall",
                        "switching on", "switching off" */
    int64_t at_us; /* wall time of what happened last; 0: nothing yet, and the rest means nothing */
    enum output_what last;
    struct output_asker by; /* who did it */
    char problem[200];      /* of the last refusal or guard; empty from the next on */
    bool settings_by_hand;  /* its set points were changed at the front panel since it went on */
};

/* Since when the memory of what is on it is being read or written; output.held says
 * whether. */
struct hold_status {
    int64_t since_us;
    char unit[128], hand[HAND_BYTES], why[WHY_BYTES];
};

struct supply_status {
    struct polling_status polling;
    struct output_status output;
    struct hold_status hold;
    struct chain_status chain;
};

struct status_board {
    pthread_mutex_t mutex;
    double chain_beat_s;     /* monotonic: when the chain last came round */
    char store_problem[700]; /* why the last write failed; empty: it did not */
    int64_t ask_after_us;    /* an off longer than this makes the unit doubtful */
    const struct config *config;
    struct supply_status *supplies; /* one a [supply NAME], in the file's order */
    /* By the chain, without the mutex: its watch is over and it goes on drawing; one each. */
    atomic_bool *rests;
};

int status_board_init(struct status_board *board, const struct config *config);
void status_board_clear(struct status_board *board);

/* The chain came round. */
void status_beat(struct status_board *board);

/* What the last write said: NULL: it is on the disk. */
void status_note_write(struct status_board *board, const char *problem);

/* The supplies item of the API, from a consistent copy. */
json_t *status_to_json(struct status_board *board, int supply);

#endif
