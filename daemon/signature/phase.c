/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/phase.h"

#include <stdlib.h>

void phases_clear(struct phases *phases)
{
    free(phases->items);
    free(phases->spikes);
    *phases = (struct phases){0};
}

const char *phase_kind_name(enum phase_kind kind)
{
    switch (kind) {
    case PHASE_LEVEL:
        return "level";
    case PHASE_RAMP:
        return "ramp";
    case PHASE_DECAY:
        return "decay";
    case PHASE_PERIODIC:
        return "periodic";
    }
    return "level";
}
