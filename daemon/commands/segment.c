/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/error.h"
#include "commands/commands.h"

int command_segment(int argc, char **argv)
{
    (void)argc;
    (void)argv;
    return EXIT_UNAVAILABLE;
}
