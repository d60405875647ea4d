/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/run.h"

#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <string.h>
#include <sys/prctl.h>
#include <time.h>

/* Physics is not left behind for longer, so that catching up never delays a
 * reply. */
#define LONGEST_REST_S 0.5

/* A line's next character is due at its instant: a sleep ends later by the time that
 * waking takes, so the last stretch is waited out awake. */
static const double AWAKE_S = 0.0001;
enum { TIMER_SLACK_NS = 1000 };

static volatile sig_atomic_t told_to_end;

static void note_signal(int number)
{
    (void)number;
    told_to_end = 1;
}

/* Blocked but while waiting: one that comes between looking and waiting is not
 * lost. */
void run_catch_signals(void)
{
    struct sigaction action = {.sa_handler = note_signal};
    sigset_t blocked;
    sigemptyset(&action.sa_mask);
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGTERM);
    sigaddset(&blocked, SIGINT);
    sigprocmask(SIG_BLOCK, &blocked, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
}

int run_simulator(struct simulator *simulator, struct panel_socket *panel, struct error *error)
{
    sigset_t open;
    sigprocmask(SIG_SETMASK, NULL, &open);
    sigdelset(&open, SIGTERM);
    sigdelset(&open, SIGINT);
    prctl(PR_SET_TIMERSLACK, TIMER_SLACK_NS, 0, 0, 0);
    while (!told_to_end) {
        double now_s = clock_monotonic_s();
        struct pollfd polled[WIRE_MOST_POLLED + PANEL_MOST_POLLED];
        int count = wire_poll(simulator->wire, polled);
        count += panel_socket_poll(panel, polled + count);
        double wire_s = wire_next_s(simulator->wire, now_s) - AWAKE_S;
        double next_s = fmin(wire_s, simulator_next_s(simulator));
        double rest_s = fmax(0, fmin(next_s - now_s, LONGEST_REST_S));
        struct timespec rest = {(time_t)rest_s, (long)(fmod(rest_s, 1) * 1e9)};
        if (ppoll(polled, (nfds_t)count, &rest, &open) < 0) {
            if (errno != EINTR)
                return error_set(error, EXIT_IO, "simulate", 0, NULL, "cannot wait: %s",
                                 strerror(errno));
            continue;
        }
        now_s = clock_monotonic_s();
        simulator_step(simulator, now_s);
        wire_work(simulator->wire, polled, count, now_s);
        panel_socket_work(panel, polled, count, simulator, now_s);
    }
    return 0;
}
