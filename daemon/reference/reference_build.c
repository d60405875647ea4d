/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/claims.h"
#include "reference/reference_json.h"
#include "reference/reference_model.h"
#include "reference/reference_print.h"
#include "reference/teach.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Numbers in a reference carry so many figures: more would only blur diffs. */
enum { FIGURES = 7 };

static const double watch_at_range_alone_s = 30;

static int out_of_memory(const struct reference_request *request, struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, request->module_type, 0, NULL, "memory is out");
}

static int copy_text(char **to, const char *from)
{
    if (!from)
        return 0;
    *to = strdup(from);
    return *to ? 0 : -1;
}

static int state_provenance(const struct reference_request *request, struct reference *reference,
                            const struct known_good *units, size_t count, struct error *error)
{
    reference->version = request->version ? request->version : 1;
    reference->nominal_voltage_V = request->nominal_voltage_V;
    reference->has_range = request->has_range;
    if (request->has_range) {
        reference->range_low_A = request->range_low_A;
        reference->range_high_A = request->range_high_A;
    }
    if (request->accuracy)
        reference->accuracy = *request->accuracy;
    reference->units = count ? calloc(count, sizeof *reference->units) : NULL;
    if ((request->conditions &&
         conditions_copy(&reference->conditions, request->conditions) != 0) ||
        (count && !reference->units))
        return out_of_memory(request, error);
    for (size_t i = 0; i < count; i++) {
        reference->unit_count = i + 1;
        struct reference_unit *unit = &reference->units[i];
        unit->power_ups = (int)units[i].count;
        reference->power_ups += unit->power_ups;
        if (copy_text(&unit->unit, units[i].unit) != 0 ||
            copy_text(&unit->trusted_because, units[i].trusted_because) != 0)
            return out_of_memory(request, error);
    }
    return 0;
}

/* How far from the voltage it was stated at a range holds. A load's draw goes
 * with the voltage by no more than the same share (d ln I / d ln V within -1 and
 * +1), and half the range's half width is left to the units. */
static const double window_share = 0.5;
static const double narrowest_window = 0.015, widest_window = 0.15;

static int state_window(struct reference *reference)
{
    double nominal_V = reference->nominal_voltage_V;
    if (isnan(nominal_V))
        return 0;
    double half_width = 0.5 * (reference->range_high_A - reference->range_low_A);
    double beyond = window_share * half_width / reference->final_expected_A;
    beyond = fmin(fmax(beyond, narrowest_window), widest_window);
    reference->compared_at_V = nominal_V;
    reference->voltage_low_V = nominal_V * (1 - beyond);
    reference->voltage_high_V = nominal_V * (1 + beyond);
    return reference_add_claim(reference, "it compares at %.4g to %.4g V", reference->voltage_low_V,
                               reference->voltage_high_V)
               ? 0
               : -1;
}

static int state_range_alone(const struct reference_request *request, struct reference *reference,
                             struct error *error)
{
    reference->watch_s = isnan(request->watch_s) ? watch_at_range_alone_s : request->watch_s;
    reference->final_expected_A = 0.5 * (request->range_low_A + request->range_high_A);
    reference->final_low_A = request->range_low_A;
    reference->final_high_A = request->range_high_A;
    if (!reference_add_claim(reference,
                             "from a stated range: no known-good unit has taught it; it judges the "
                             "settled final draw at the end of the watch and nothing before") ||
        state_window(reference) != 0 || claim_conditions(reference) != 0 ||
        !reference_add_claim(reference,
                             "one known-good unit would add its phases, their order and times"))
        return out_of_memory(request, error);
    return 0;
}

struct reference *reference_build(const struct reference_request *request,
                                  const struct known_good *units, size_t count, struct error *error)
{
    if (count == 0 && !request->has_range) {
        error_set(error, EXIT_USAGE, request->module_type, 0,
                  "known-good units, a stated range, or both", "neither was given");
        return NULL;
    }
    struct reference *learned = reference_create(request->module_type);
    if (!learned) {
        out_of_memory(request, error);
        return NULL;
    }
    int status = state_provenance(request, learned, units, count, error);
    if (status == 0 && count == 0)
        status = state_range_alone(request, learned, error);
    else if (status == 0)
        status = teach(request, units, count, learned, error);
    struct reference *result = NULL;
    if (status == 0) {
        /* What is judged by is what is read back from the file. */
        char *text = reference_print_rounded(learned, FIGURES);
        if (text)
            result = reference_parse(text, strlen(text), request->module_type, error);
        else
            out_of_memory(request, error);
        free(text);
    }
    reference_destroy(learned);
    return result;
}
