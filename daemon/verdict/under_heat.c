/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/under_heat.h"

#include "verdict/reasons.h"
#include "verdict/settle.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <string.h>

bool is_under_heat(const char *tag, const char *stage)
{
    return strcmp(tag, "heat") == 0 || strcmp(stage, STAGE_HEAT_CHECK) == 0;
}

bool under_heat(struct verdict *verdict)
{
    if (verdict->kind != VERDICT_GOOD)
        return false;
    struct verdict before = *verdict;
    verdict->kind = VERDICT_UNSURE;
    verdict->reason_count = 0;
    verdict->settle_count = 0;
    settle_add(verdict, settle_of(SETTLE_COLD));
    struct finding finding = finding_of(REASON_UNDER_HEAT);
    finding.measured = before.final_draw_A;
    reasons_add(verdict, &finding);
    for (size_t i = 0; i < before.reason_count && verdict->reason_count < VERDICT_MOST_REASONS; i++)
        verdict->reasons[verdict->reason_count++] = before.reasons[i];
    return true;
}

json_t *under_heat_json(json_t *verdict)
{
    const char *kind = json_string_value(json_object_get(verdict, "verdict"));
    if (!kind || strcmp(kind, verdict_kind_name(VERDICT_GOOD)) != 0)
        return json_incref(verdict);
    const json_t *draw = json_object_get(verdict, "final_draw_A");
    struct verdict alone = {.kind = VERDICT_GOOD,
                            .decided_at_s = (double)NAN,
                            .onset_s = (double)NAN,
                            .final_draw_A =
                                json_is_number(draw) ? json_number_value(draw) : (double)NAN};
    under_heat(&alone);
    json_t *said = verdict_to_json(&alone);
    json_t *changed = json_copy(verdict);
    json_t *reasons = json_copy(json_object_get(said, "reasons"));
    json_t *before = json_object_get(verdict, "reasons");
    int failed = !said || !changed || !reasons;
    if (!failed && json_is_array(before))
        failed = json_array_extend(reasons, before);
    if (!failed)
        failed = json_object_set(changed, "verdict", json_object_get(said, "verdict")) ||
                 json_object_set(changed, "reasons", reasons) ||
                 json_object_set(changed, "settle", json_object_get(said, "settle"));
    json_decref(said);
    json_decref(reasons);
    if (!failed)
        return changed;
    json_decref(changed);
    return NULL;
}
