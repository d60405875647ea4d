/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "commands/judge_unit.h"

#include "verdict/verdict_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct repeated_power_up *next_place(struct judged_unit *unit)
{
    if (unit->count == unit->capacity) {
        size_t capacity = unit->capacity ? 2 * unit->capacity : 16;
        struct repeated_power_up *more =
            realloc(unit->power_ups, capacity * sizeof *unit->power_ups);
        if (!more)
            return NULL;
        unit->power_ups = more;
        unit->capacity = capacity;
    }
    return &unit->power_ups[unit->count];
}

int judged_unit_trace(struct judged_unit *unit, const struct reference *reference,
                      const struct accuracy *accuracy, const struct trace *trace,
                      struct verdict *verdict, struct phases *phases)
{
    if (!unit->name)
        return judge_trace(reference, accuracy, trace->readings, trace->count, verdict, phases);
    struct repeated_power_up *place = next_place(unit);
    if (!place || repeated_judge_trace(reference, accuracy, trace->readings, trace->count, verdict,
                                       phases, place) != 0)
        return -1;
    unit->count++;
    return 0;
}

static json_t *rate_json(const struct failure_rate *rate)
{
    if (isnan(rate->high))
        return json_null();
    return json_pack("{s:f, s:f, s:f, s:i, s:s}", "low", rate->low, "high", rate->high,
                     "confidence", rate->confidence, "sides", rate->sides, "text", rate->text);
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

json_t *judged_unit_json(const struct judged_unit *unit, const struct reference *reference,
                         const struct accuracy *accuracy)
{
    struct unit_verdict verdict;
    if (repeated_judge(reference, accuracy, unit->power_ups, unit->count, &verdict) != 0)
        return NULL;
    return json_pack("{s:s, s:s, s:I, s:I, s:I, s:I, s:o, s:b, s:o}", "unit", unit->name, "verdict",
                     verdict_kind_name(verdict.kind), "power_ups", (json_int_t)verdict.power_ups,
                     "good", (json_int_t)verdict.good, "bad", (json_int_t)verdict.bad, "unsure",
                     (json_int_t)verdict.unsure, "failure_rate", rate_json(&verdict.failure_rate),
                     "intermittent", verdict.intermittent, "reasons", reasons_json(&verdict));
}

void judged_unit_clear(struct judged_unit *unit)
{
    free(unit->power_ups);
    *unit = (struct judged_unit){.name = NULL};
}
