/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/verdict_json.h"

#include "signature/phase_json.h"
#include "verdict/reasons.h"
#include "verdict/settle.h"

#include <math.h>
#include <stdio.h>

/* To nanoamperes and nanoseconds, so that a number printed with 12 digits and
 * with 17 reads back the same. */
static double rounded(double value)
{
    double whole = nearbyint(value * 1e9);
    return whole == 0.0 ? 0.0 : whole / 1e9;
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(rounded(value)) : json_null();
}

static void set_figure(json_t *object, const char *name, char unit, double value)
{
    char key[24];
    snprintf(key, sizeof key, "%s_%c", name, unit);
    if (isfinite(value))
        json_object_set_new(object, key, json_real(rounded(value)));
}

static const char *const basis_names[] = {"type", "unit", "all phases"};

static json_t *reason_json(const struct reason *reason)
{
    json_t *object =
        json_pack("{s:s, s:s}", "code", reason_code_name(reason->code), "text", reason->text);
    if (!object)
        return NULL;
    if (reason->details[0])
        json_object_set_new(object, "details", json_string(reason->details));
    if (reason->phase >= 0)
        json_object_set_new(object, "phase", json_integer(reason->phase));
    char unit = reason_code_unit(reason->code);
    set_figure(object, "measured", unit, reason->measured);
    set_figure(object, "low", unit, reason->low);
    set_figure(object, "high", unit, reason->high);
    set_figure(object, "beyond", unit, reason->beyond);
    if (isfinite(reason->low) || isfinite(reason->high))
        json_object_set_new(object, "limits_of", json_string(basis_names[reason->basis]));
    if (reason->taught[0])
        json_object_set_new(object, "taught", json_string(reason->taught));
    if (reason->on_bench[0])
        json_object_set_new(object, "on_bench", json_string(reason->on_bench));
    if (reason->pattern)
        json_object_set_new(object, "pattern",
                            json_pack("{s:s, s:s, s:s}", "name", reason->pattern->name, "causes",
                                      reason->pattern->causes, "measure_next",
                                      reason->pattern->measure_next));
    return object;
}

json_t *settles_to_json(const struct settle *settles, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < count; i++) {
        const struct settle *settle = &settles[i];
        json_t *object =
            json_pack("{s:s, s:s}", "code", settle_code_name(settle->code), "text", settle->text);
        const char *key = settle_value_key(settle->code);
        if (key)
            json_object_set_new(object, key, number(settle->value));
        if (settle->count > 0)
            json_object_set_new(object, "count", json_integer(settle->count));
        char unit = settle->code == SETTLE_VOLTAGE ? 'V' : 'A';
        set_figure(object, "low", unit, settle->low);
        set_figure(object, "high", unit, settle->high);
        const char *const texts[][2] = {
            {"feeds", settle->feeds}, {"revision", settle->revision}, {"set_up", settle->set_up}};
        for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
            if (texts[k][1][0])
                json_object_set_new(object, texts[k][0], json_string(texts[k][1]));
        json_array_append_new(list, object);
    }
    return list;
}

json_t *verdict_to_json(const struct verdict *verdict)
{
    json_t *reasons = json_array();
    for (size_t i = 0; reasons && i < verdict->reason_count; i++)
        json_array_append_new(reasons, reason_json(&verdict->reasons[i]));
    json_t *object =
        json_pack("{s:s, s:b, s:o, s:o, s:o, s:o}", "verdict", verdict_kind_name(verdict->kind),
                  "final", verdict->final, "decided_at_s", number(verdict->decided_at_s), "onset_s",
                  number(verdict->onset_s), "final_draw_A", number(verdict->final_draw_A),
                  "reasons", reasons);
    if (object && verdict->settle_count > 0)
        json_object_set_new(object, "settle",
                            settles_to_json(verdict->settles, verdict->settle_count));
    return object;
}

json_t *phases_to_json(const struct phases *phases, double zero_s)
{
    return phase_json(phases, zero_s);
}
