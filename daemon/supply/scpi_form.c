/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi_form.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

/* A readback may wander below zero by its offset; further down is something else. */
static const double SMALL = 0.1;

struct form {
    unsigned sign;     /* 0 none, 1 +, 2 - and small, 3 - */
    unsigned whole;    /* digits before the point */
    unsigned padded;   /* a zero in front of another digit */
    unsigned decimals; /* behind it; 31: no point */
    unsigned exponent; /* its characters, sign and letter included; 0: none */
    unsigned unit;     /* 1: a letter behind */
    bool ends_in_zero;
};

static struct form form_of(const char *at, double value)
{
    struct form form = {0};
    at += strspn(at, " \t");
    if (*at == '+')
        form.sign = 1;
    if (*at == '-')
        form.sign = fabs(value) <= SMALL ? 2 : 3;
    if (form.sign)
        at++;
    form.whole = (unsigned)strspn(at, "0123456789");
    form.padded = form.whole > 1 && *at == '0';
    at += form.whole;
    form.decimals = 31;
    if (*at == '.') {
        size_t decimals = strspn(++at, "0123456789");
        form.decimals = decimals > 30 ? 30 : (unsigned)decimals;
        at += decimals;
        form.ends_in_zero = decimals > 0 && at[-1] == '0';
    }
    if (*at == 'e' || *at == 'E') {
        size_t sign = at[1] == '+' || at[1] == '-';
        form.exponent =
            (unsigned)(2 * (1 + sign + strspn(at + 1 + sign, "0123456789"))) + (*at == 'E');
        at += form.exponent / 2;
    }
    at += strspn(at, " \t");
    form.unit = isalpha((unsigned char)*at) ? 1 : 0;
    return form;
}

/* Never 0. */
static uint32_t packed(const struct form *form)
{
    unsigned whole = form->whole > 31 ? 31 : form->whole;
    unsigned exponent = form->exponent > 31 ? 31 : form->exponent;
    return 1U << 31 | form->sign << 20 | form->padded << 19 | form->unit << 18 | exponent << 10 |
           form->decimals << 5 | whole;
}

static bool is_known(const struct scpi_forms *forms, uint32_t form)
{
    for (int i = 0; i < forms->count; i++)
        if (forms->known[i] == form)
            return true;
    return false;
}

/* A line that spoils one answer in ten stays far below this. */
static const double MOST_STRANGERS = 0.4;
static const double STRANGER_WEIGHT = 0.05;

enum { EXPONENT_BITS = 31 << 10, FEW = 6 };

static bool has_exponent(uint32_t form)
{
    return (form & EXPONENT_BITS) != 0;
}

/* A few forms come of signs and of digits before the point; who has more of them
 * and never ends a number in zero, or an exponent here and none there, writes as
 * short as it goes. */
static void learn(struct scpi_forms *forms, uint32_t form, int decimals)
{
    bool mixed = false;
    for (int i = 0; i < forms->count; i++)
        mixed = mixed || has_exponent(forms->known[i]) != has_exponent(form);
    if (mixed || forms->count == SCPI_FORMS || (forms->count >= FEW && !forms->pads))
        forms->free = true;
    if (forms->count < SCPI_FORMS)
        forms->known[forms->count++] = form;
    forms->candidate = 0;
    if (decimals > forms->decimals)
        forms->decimals = decimals;
}

enum scpi_familiar scpi_form_check(struct scpi_forms *forms, const char *number, double value,
                                   bool ended)
{
    if (forms->free && ended)
        return SCPI_FAMILIAR;
    struct form form = form_of(number, value);
    uint32_t text = packed(&form);
    int decimals = form.decimals == 31 ? 0 : (int)form.decimals;
    forms->strangers *= 1 - STRANGER_WEIGHT;
    if (is_known(forms, text)) {
        forms->candidate = 0;
        forms->pads = forms->pads || form.ends_in_zero;
        return SCPI_FAMILIAR;
    }
    /* Some leave off zeros at the end, and so give fewer decimals now and then. */
    bool left_off = ended && forms->count > 0 && !forms->pads && !form.ends_in_zero &&
                    form.decimals != 0 && decimals < forms->decimals && !form.exponent;
    if (text == forms->candidate || left_off) {
        learn(forms, text, decimals);
        forms->pads = forms->pads || form.ends_in_zero;
        return SCPI_LEARNED;
    }
    forms->candidate = text;
    if (forms->count == 0)
        return SCPI_STRANGE;
    forms->strangers += STRANGER_WEIGHT;
    if (forms->strangers > MOST_STRANGERS)
        forms->free = true;
    return decimals < forms->decimals ? SCPI_STRANGE_SHORT : SCPI_STRANGE;
}
