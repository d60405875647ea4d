/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_finder_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *quantity_text(const struct register_quantity *form, char text[80])
{
    static const char *const types[] = {"u16", "s16", "u32", "s32", "f32"};
    snprintf(text, 80, "%d,%s,%s%s,%.12g", form->address, types[form->type],
             form->little ? "little" : "big", form->swapped ? "-swapped" : "", form->scale);
    return text;
}

static const char *flag_text(const struct register_flag *flag, char text[80])
{
    if (flag->bits == 16)
        snprintf(text, 80, "%d", flag->address);
    else
        snprintf(text, 80, "%d,%d%s", flag->address, flag->bit, flag->inverted ? ",inverted" : "");
    return text;
}

/* A float's own steps are too fine to be the supply's: the panel's last digit. */
static double resolution(const struct register_quantity *form, double panel)
{
    return form->type == REGISTER_F32 ? panel : form->scale;
}

static void write_head(FILE *file, const struct finder *finder, const char *link,
                       const struct finder_finding *findings)
{
    const struct finder_supply *supply = &finder->supply;
    fprintf(file,
            "# Found by the register finder at\n#   %s\n"
            "# from %d steps at the front panel; %zu registers were read, by functions 3 and\n"
            "# 4 alone. Compare its readings with the panel before a module hangs on it.\n"
            "[supply]\nspeaks = modbus\ndescription = Modbus, registers found at the front panel\n",
            link, finder->done, finder->count);
    fprintf(file, "current_resolution_A = %.12g\nvoltage_resolution_V = %.12g\n",
            resolution(&findings[FINDER_CURRENT].quantity, supply->step_A),
            resolution(&findings[FINDER_VOLTAGE].quantity, supply->step_V));
    fprintf(file,
            "# TO BE FILLED IN: the accuracy of the readback, from the supply's data sheet, as\n"
            "# percent of reading and an offset. Verdicts lean on it; left out, it counts as\n"
            "# none, and two supplies are then not compared rightly.\n"
            "# current_accuracy = PERCENT,OFFSET_A\n# voltage_accuracy = PERCENT,OFFSET_V\n"
            "rated_voltage_V = %.12g\nrated_current_A = %.12g\nreply_timeout_s = 1\n\n[modbus]\n",
            supply->rated_voltage_V, supply->rated_current_A);
}

static void write_quantity(FILE *file, const char *key, const struct finder_finding *finding,
                           int usual)
{
    char text[80];
    if (finding->registers > 1)
        fprintf(file, "# Other registers hold the same in every step.\n");
    if (finding->quantity.function != usual)
        fprintf(file, "%s_function = %d\n", key, finding->quantity.function);
    fprintf(file, "%s = %s\n", key, quantity_text(&finding->quantity, text));
}

static void write_flag(FILE *file, const char *key, const struct finder_finding *finding, int usual)
{
    char text[80];
    const struct register_flag *flag = &finding->flag;
    if (finding->state != FINDER_FOUND || !flag->known) {
        fprintf(file, "# %s: none of the registers looked at tells it.\n", key);
        return;
    }
    if (finding->registers > 1)
        fprintf(file, "# Other registers tell the same in every step.\n");
    if (flag->function != usual)
        fprintf(file, "%s_function = %d\n", key, flag->function);
    fprintf(file, "%s = %s\n", key, flag_text(flag, text));
    for (int i = 0; flag->bits == 16 && i < flag->value_count; i++)
        fprintf(file, "%s%s%d%s", i == 0 ? key : "", i == 0 ? "_value = " : ",", flag->values[i],
                i + 1 < flag->value_count ? "" : "\n");
}

/* Read back where it was found; written nowhere before the user has tried it. */
static void write_set_points(FILE *file, const struct finder_finding *voltage,
                             const struct finder_finding *limit)
{
    const struct finder_finding *findings[] = {voltage, limit};
    static const char *const reads[] = {"query_voltage", "query_limit"};
    static const char *const writes[] = {"set_voltage", "set_limit"};
    bool writable = false;
    for (int i = 0; i < 2; i++) {
        if (findings[i]->state != FINDER_FOUND) {
            fprintf(file, "# %s: none of the registers looked at holds it.\n", reads[i]);
            continue;
        }
        write_quantity(file, reads[i], findings[i], 3);
        writable = writable || findings[i]->quantity.function == 3;
    }
    if (!writable)
        return;
    fprintf(file,
            "# NOT TRIED: these held the set points, and may take them too. Nothing was ever\n"
            "# written. With nothing connected, take the marks away, set a little voltage from\n"
            "# the bench page and see whether the panel follows (set_function = 6 writes one\n"
            "# register at a time, 16 several).\n");
    char text[80];
    for (int i = 0; i < 2; i++)
        if (findings[i]->state == FINDER_FOUND && findings[i]->quantity.function == 3)
            fprintf(file, "# %s = %s\n", writes[i], quantity_text(&findings[i]->quantity, text));
    bool narrow = voltage->quantity.type < REGISTER_U32 && limit->quantity.type < REGISTER_U32;
    fprintf(file, "# set_function = %d\n", narrow ? 6 : 16);
}

static void write_switch(FILE *file, const struct finder *finder)
{
    struct register_flag flag;
    int on = 0;
    int off = 0;
    if (!finder_switch(finder, &flag, &on, &off))
        return;
    fprintf(file,
            "# NOT TRIED: this holding register followed the output, and may switch it.\n"
            "# set_output = %d\n# set_output_values = %d,%d\n",
            flag.address, on, off);
}

char *finder_profile(const struct finder *finder, const char *link)
{
    struct finder_finding findings[FINDER_QUANTITIES];
    char *text = NULL;
    size_t length = 0;
    if (!finder_is_enough(finder))
        return NULL;
    for (int i = 0; i < FINDER_QUANTITIES; i++)
        finder_finding(finder, i, &findings[i]);
    FILE *file = open_memstream(&text, &length);
    if (!file)
        return NULL;
    int usual = findings[FINDER_VOLTAGE].quantity.function;
    write_head(file, finder, link, findings);
    fprintf(file, "function = %d\n", usual);
    if (findings[FINDER_VOLTAGE].quantity.type == REGISTER_U16)
        fprintf(file, "# u16: nothing below zero was met; where that comes, s16 reads it.\n");
    write_quantity(file, "voltage", &findings[FINDER_VOLTAGE], usual);
    write_quantity(file, "current", &findings[FINDER_CURRENT], usual);
    write_flag(file, "output_on", &findings[FINDER_OUTPUT_ON], usual);
    write_flag(file, "limited", &findings[FINDER_LIMITED], usual);
    write_set_points(file, &findings[FINDER_SET_VOLTAGE], &findings[FINDER_SET_LIMIT]);
    write_switch(file, finder);
    if (fclose(file) != 0) {
        free(text);
        return NULL;
    }
    return text;
}
