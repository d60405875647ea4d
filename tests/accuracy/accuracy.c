/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Prints how often the verdict errs on made-up benches:
 *   accuracy [SEEDS [FIRST_SEED [VARIANT [together]]]]
 * VARIANT: usual, halved, doubled, independent, strays, volts, drift, repeats.
 * together: of units judged on several power-ups.
 */
#include "accuracy/tally.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv)
{
    struct campaign campaign = {.seeds = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 3,
                                .first_seed = argc > 2 ? strtoull(argv[2], NULL, 10) : 1,
                                .good_units = 12,
                                .faulty_units = 18,
                                .units = 4};
    const char *variant = argc > 3 ? argv[3] : "usual";
    if (!campaign_set_variant(&campaign, variant)) {
        fprintf(stderr, "accuracy: unknown variant \"%s\"\n", variant);
        return 64;
    }
    int counts[] = {4, 1, 2, 3, 8};
    size_t rows = strcmp(variant, "usual") == 0 ? sizeof counts / sizeof *counts : 1;
    if (getenv("ONLY"))
        rows = 1;
    printf("%s, seeds %llu to %llu\n", variant, (unsigned long long)campaign.first_seed,
           (unsigned long long)campaign.first_seed + (unsigned long long)campaign.seeds - 1);
    if (argc > 4 && strcmp(argv[4], "together") == 0) {
        campaign.tell = getenv("TELL") != NULL;
        together_run(&campaign);
        return 0;
    }
    tally_print_head();
    for (size_t i = 0; i < rows; i++) {
        struct tally tally = {0};
        campaign.units = counts[i];
        campaign.keep_in = getenv("KEEP_IN");
        campaign.tell = getenv("TELL") != NULL;
        campaign.tell_delays = getenv("DELAYS") != NULL;
        campaign.oracle = i == 0 && strcmp(variant, "usual") == 0;
        campaign_run(&campaign, &tally);
        tally_print(&tally, counts[i]);
        tally_print_limits(&tally);
        if (campaign.oracle)
            tally_print_oracle(&tally);
        tally_clear(&tally);
    }
    return 0;
}
