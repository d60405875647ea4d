/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "commands/judge_unit.h"

#include "verdict/repeated_json.h"

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

int judged_unit_trace(struct judged_unit *unit, const struct conditions *on_bench,
                      const struct reference *reference, const struct accuracy *accuracy,
                      const struct trace *trace, struct verdict *verdict, struct phases *phases)
{
    if (!unit->name)
        return judge_trace_under(on_bench, reference, accuracy, trace->readings, trace->count,
                                 verdict, phases);
    struct repeated_power_up *place = next_place(unit);
    if (!place || repeated_judge_trace_under(on_bench, reference, accuracy, trace->readings,
                                             trace->count, verdict, phases, place) != 0)
        return -1;
    unit->count++;
    return 0;
}

json_t *judged_unit_json(const struct judged_unit *unit, const struct reference *reference,
                         const struct accuracy *accuracy)
{
    struct unit_verdict verdict;
    if (repeated_judge(reference, accuracy, unit->power_ups, unit->count, &verdict) != 0)
        return NULL;
    json_t *object = json_pack("{s:s}", "unit", unit->name);
    json_t *rest = unit_verdict_to_json(&verdict);
    if (!object || !rest || json_object_update(object, rest) != 0) {
        json_decref(object);
        object = NULL;
    }
    json_decref(rest);
    return object;
}

void judged_unit_clear(struct judged_unit *unit)
{
    free(unit->power_ups);
    *unit = (struct judged_unit){.name = NULL};
}
