/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/output_wish.h"

const char *output_what_name(enum output_what what)
{
    static const char *const names[] = {
        [OUTPUT_SET] = "set",
        [OUTPUT_LOOKED] = "looked",
        [OUTPUT_ON] = "on",
        [OUTPUT_OFF] = "off",
        [OUTPUT_REFUSED] = "refused",
        [OUTPUT_OFF_FAILED] = "off not confirmed",
        [OUTPUT_ON_SEEN] = "on at the supply",
        [OUTPUT_OFF_SEEN] = "off at the supply",
        [OUTPUT_SET_SEEN] = "set at the supply",
        [OUTPUT_HELD] = "held",
        [OUTPUT_HOLD_OVER] = "hold over",
        [OUTPUT_FOUND_ON] = "found on",
    };
    return names[what];
}
