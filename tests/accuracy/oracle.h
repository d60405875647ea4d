/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Calling levels low or high with all of the generator's own parameters known:
 * the type's draw, when each step began and ended, the supply's offset, gain and
 * noise, and how units spread. What it cannot tell, nobody can.
 */
#ifndef TESTS_ACCURACY_ORACLE_H
#define TESTS_ACCURACY_ORACLE_H

#include "accuracy/generator.h"

/* For each step: how far its level is off, on the logarithm, less what the other
 * steps of the unit foretell, and the standard deviation of that in good units;
 * NAN: no reading of its own. The supply must not repeat itself. */
struct oracle {
    double off[MOST_STEPS], sd[MOST_STEPS];
};
void oracle_read(const struct module_type *type, const struct bench_supply *supply,
                 const struct spreads *spreads, const struct trace *trace,
                 const struct truth *truth, struct oracle *oracle);

/* At even odds: nearer to a level off by a tenth than to a good one. */
int oracle_calls(const struct oracle *oracle, int step);

#endif
