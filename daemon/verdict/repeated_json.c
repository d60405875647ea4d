/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/repeated_json.h"

#include "verdict/verdict_json.h"

#include <math.h>
#include <string.h>

static json_t *rate_json(const struct failure_rate *rate)
{
    if (isnan(rate->high))
        return json_null();
    return json_pack("{s:f, s:f, s:f, s:i, s:s}", "low", rate->low, "high", rate->high,
                     "confidence", rate->confidence, "sides", rate->sides, "text", rate->text);
}

static json_t *test_json(const struct failure_test *test)
{
    static const char *const states[] = {
        [SEQUENTIAL_GO_ON] = "open", [SEQUENTIAL_FIRST] = "low", [SEQUENTIAL_SECOND] = "high"};
    return json_pack("{s:s, s:f, s:f, s:f, s:I, s:I, s:i}", "state", states[test->state],
                     "low_rate", test->low_rate, "high_rate", test->high_rate, "error", test->error,
                     "failures", (json_int_t)test->failures, "power_ups",
                     (json_int_t)test->power_ups, "more_without_failure",
                     test->more_without_failure);
}

/* A unit's reasons have the form of a power-up's. */
static json_t *reasons_json(const struct unit_verdict *unit)
{
    struct verdict verdict = {.kind = unit->kind,
                              .decided_at_s = NAN,
                              .onset_s = NAN,
                              .final_draw_A = NAN,
                              .reason_count = unit->reason_count};
    memcpy(verdict.reasons, unit->reasons, unit->reason_count * sizeof *unit->reasons);
    json_t *whole = verdict_to_json(&verdict);
    json_t *reasons = json_incref(json_object_get(whole, "reasons"));
    json_decref(whole);
    return reasons;
}

json_t *unit_verdict_to_json(const struct unit_verdict *verdict)
{
    json_t *object =
        json_pack("{s:s, s:I, s:I, s:I, s:I, s:o, s:o, s:b, s:o}", "verdict",
                  verdict_kind_name(verdict->kind), "power_ups", (json_int_t)verdict->power_ups,
                  "good", (json_int_t)verdict->good, "bad", (json_int_t)verdict->bad, "unsure",
                  (json_int_t)verdict->unsure, "failure_rate", rate_json(&verdict->failure_rate),
                  "failure_test", test_json(&verdict->failure_test), "intermittent",
                  verdict->intermittent, "reasons", reasons_json(verdict));
    if (object && verdict->settle_count > 0)
        json_object_set_new(object, "settle",
                            settles_to_json(verdict->settles, verdict->settle_count));
    return object;
}
