/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The subcommands: each a function that takes its own argv (argv[0] is the
 * subcommand's name) and returns the process's exit status (base/error.h).
 */
#ifndef WAKEDRAW_COMMANDS_COMMANDS_H
#define WAKEDRAW_COMMANDS_COMMANDS_H

int command_build_reference(int argc, char **argv);
int command_export(int argc, char **argv);
int command_identify(int argc, char **argv);
int command_import(int argc, char **argv);
int command_judge(int argc, char **argv);
int command_segment(int argc, char **argv);
int command_serve(int argc, char **argv);
int command_simulate(int argc, char **argv);
int command_verify_records(int argc, char **argv);

#endif
