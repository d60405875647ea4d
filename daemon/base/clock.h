/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The one module that reads the system's clocks. Whoever needs time and wants
 * to be tested takes it as data.
 */
#ifndef WAKEDRAW_BASE_CLOCK_H
#define WAKEDRAW_BASE_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

/* Seconds of CLOCK_MONOTONIC; only differences mean anything. */
double clock_monotonic_s(void);

/* Microseconds of wall time since 1970 UTC. */
int64_t clock_wall_us(void);

/* A simulated bench's: wall time is this now, and goes on from there. Once, before
 * any thread starts. */
void clock_set_wall(int64_t wall_us);

/* "2026-01-31T08:05:09.123Z" (RFC 3339, UTC, milliseconds) into text of at
 * least 25 bytes; returns text. */
char *clock_rfc3339(int64_t wall_us, char text[25]);

/* Microseconds since 1970 of such a text, with none to six digits behind the
 * second's point; false where it is none. */
bool clock_parse_rfc3339(const char *text, int64_t *wall_us);

/* A day of the calendar where the machine stands ("2026-01-31"), from its midnight
 * to the next; false where it is none. */
bool clock_local_day(const char *day, int64_t *from_us, int64_t *to_us);

/* The day of an instant there, "2026-01-31", into text of at least 11 bytes; and how
 * far its clocks are from UTC, "+10:00". Both return text. */
char *clock_day_of(int64_t wall_us, char text[11]);
char *clock_utc_offset(int64_t wall_us, char text[7]);

/* Sleeps until the monotonic instant; returns at once if it has passed. */
void clock_sleep_until(double monotonic_s);

/* The same, to the instant: the last tenth of a millisecond is waited for awake, where a sleep
 * that ends late would cost a share of what it parts. */
void clock_wait_until(double monotonic_s);

#endif
