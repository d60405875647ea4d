/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bench check from what was read, and the charts of a row of checks, as JSON
 * (trend/bench_check.h has the method). Pure.
 */
#ifndef WAKEDRAW_RECORD_CHECK_CONTENT_H
#define WAKEDRAW_RECORD_CHECK_CONTENT_H

#include "base/accuracy.h"
#include "base/error.h"

#include <jansson.h>
#include <stdbool.h>

/* body: {"zero": {"current_A": [...]}, "resistors": [{"ohm", "tolerance_percent"?,
 * "voltage_V": [...], "current_A": [...]}], "check_standard"?: null or anything}. Each
 * row needs CHECK_LEAST_READINGS readings. standard: {"power_up", "unit",
 * "final_draw_A"} of the check standard's power-up, or NULL. Gives {"zero_A",
 * "zero_allowed_A", "zero_passed", "resistors": [{"ohm", "tolerance_percent",
 * "voltage_V", "current_A", "expected_A", "allowed_A", "passed"}], "check_standard"
 * or null}, and whether all passed. NULL with the error filled; its file names the
 * field. */
enum { CHECK_LEAST_READINGS = 5, CHECK_MOST_RESISTORS = 8 };
json_t *check_content(const json_t *body, const json_t *standard, const struct accuracy *accuracy,
                      bool *passed, struct error *error);

/* Of checks, oldest first: {"charts": [{"of", "kind", "unit": "A" or "share",
 * "centre", "spread", "points": [{"at", "value", "ewma", "ewma_low", "ewma_high",
 * "cusum_high", "cusum_low", "signal": bool}]}], "findings": [text]}. What is
 * charted of a resistor is its miss as a share, of the check standard its draw as a
 * share of the first. NULL: memory is out. */
json_t *check_charts(const json_t *checks, const struct accuracy *accuracy);

#endif
