/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * References as JSON text by signatures/reference.schema.json.
 *
 * What pages and other programs may rely on among its keys:
 *   format          {"name": "wakedraw reference", "major": 1, "minor": 0}
 *   module_type, feeds, revision, set_up (null allowed), version, watch_s,
 *   nominal_voltage_V (null allowed)
 *   taught_by       {"units": N, "power_ups": N, "known_goods": [...],
 *                    "stated_range_A": [LOW, HIGH] or null}
 *   supply          {"profile", "current_resolution_A", "current_gain", ...}
 *   final           {"expected_A", "low_A", "high_A"}
 *   phases          [{"kind", "level_A": {"expected","low","high"},
 *                     "duration_s": {"expected","low","high"} (null for the last)}]
 *   envelope        {"time_s": [...], "low_A": [...], "high_A": [...]}, time from
 *                   onset, equal lengths, never null inside
 *   claims          [text, ...]
 */
#ifndef WAKEDRAW_REFERENCE_REFERENCE_JSON_H
#define WAKEDRAW_REFERENCE_REFERENCE_JSON_H

#include "reference/reference.h"

/* NULL with the error filled: not JSON (with the line), a key missing or of the
 * wrong kind (named), a newer major version (named). `name` is what the error
 * calls the text: a path, or "POST references". */
struct reference *reference_parse(const char *text, size_t length, const char *name,
                                  struct error *error);

/* Pretty-printed, keys in a fixed order, numbers that read back the same;
 * malloc'd. NULL when memory is out. */
char *reference_print(const struct reference *reference);

#endif
