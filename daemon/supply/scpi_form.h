/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How a supply writes its numbers: sign, digits before and after the point,
 * exponent, unit. A line has no checksum; a digit that came in or got lost on the
 * way shows by nothing but this. (A digit that became another digit does not show
 * at all: parity on the line is the only guard.) A form never seen before is
 * believed when the very next answer has it too. One who writes every number as
 * short as it goes shows no form at all, and nothing can be told by it. Pure.
 */
#ifndef WAKEDRAW_SUPPLY_SCPI_FORM_H
#define WAKEDRAW_SUPPLY_SCPI_FORM_H

#include <stdbool.h>
#include <stdint.h>

enum { SCPI_FORMS = 12 };

/* What has a form of its own. */
enum scpi_quantity {
    SCPI_VOLTAGE,
    SCPI_CURRENT,
    SCPI_LIMITED,
    SCPI_SELECTED,
    SCPI_SET_VOLTAGE,
    SCPI_SET_LIMIT,
    SCPI_QUANTITIES
};

/* Of one quantity; all zero before the first answer. */
struct scpi_forms {
    double strangers; /* their share in the last twenty answers or so */
    uint32_t known[SCPI_FORMS];
    uint32_t candidate; /* of the last answer, if it was a stranger's */
    int count;
    int decimals; /* most that it ever gave */
    bool pads;    /* ends numbers in zeros: so it never leaves decimals off */
    bool free;    /* too many strangers: it has no form */
};

enum scpi_familiar {
    SCPI_FAMILIAR,
    SCPI_LEARNED, /* familiar from now on */
    SCPI_STRANGE,
    SCPI_STRANGE_SHORT, /* with fewer decimals than ever: the end may be missing */
};

/* Takes a field that scpi_text_number took, behind its echoed words if any.
 * `ended`: something marks the end of an answer. Then fewer decimals are a manner
 * of the supply's if it was never seen to end a number in zero, and one without
 * any form is let be; else its answers could be cut anywhere. */
enum scpi_familiar scpi_form_check(struct scpi_forms *forms, const char *number, double value,
                                   bool ended);

#endif
