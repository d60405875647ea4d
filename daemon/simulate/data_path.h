/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Where the files that come with wakedraw lie.
 */
#ifndef WAKEDRAW_SIMULATE_DATA_PATH_H
#define WAKEDRAW_SIMULATE_DATA_PATH_H

/* A text with a slash or ending in .ini is itself the path. Else NAME.ini is
 * looked for in the directory that the environment's `variable` names, in
 * `source` beside the directory of the executable (build/), and in
 * ../share/wakedraw/`installed`. -1: nowhere. */
int data_path(const char *name_or_path, const char *variable, const char *source,
              const char *installed, char path[512]);

#endif
