/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Lines of the log of outputs on their way to the disk: in order, without holding up
 * who adds one, and tried again for as long as the disk does not take them.
 */
#ifndef WAKEDRAW_BENCH_OUTPUT_LINES_H
#define WAKEDRAW_BENCH_OUTPUT_LINES_H

#include "bench/output_wish.h"
#include "bench/status.h"
#include "bench/writer.h"

struct output_lines;

enum output_ours { LINE_OURS_STAYS, LINE_OURS_BEGINS, LINE_OURS_OVER };

/* NULL: memory is out. The board and its configuration must outlive it. */
struct output_lines *output_lines_create(struct writer *writer, struct status_board *board);

/* Once the writer has ended; what is not on the disk then is told in the log. */
void output_lines_destroy(struct output_lines *lines);

/* From any thread; does not wait. `marks_only`: it is no line of the log. */
void output_lines_add(struct output_lines *lines, const struct output_event *event,
                      enum output_ours ours, bool marks_only);

/* Hands to the writer what it did not take, or could not write, before. */
void output_lines_again(struct output_lines *lines);

/* Waits until all that was added is on the disk; false: not by the monotonic
 * deadline. */
bool output_lines_wait(struct output_lines *lines, double deadline_s);

#endif
