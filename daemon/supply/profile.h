/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Profiles: how one family of supplies is spoken to and how well it reads back,
 * as an INI file (in daemon/profiles; the keys are listed there in
 * daemon/profiles/README.md).
 */
#ifndef WAKEDRAW_SUPPLY_PROFILE_H
#define WAKEDRAW_SUPPLY_PROFILE_H

#include "base/accuracy.h"
#include "base/error.h"

struct profile;

/* `name_or_path`: with a slash or ending in .ini, a path; else an installed
 * profile's name, looked for in $WAKEDRAW_PROFILES, beside the executable
 * (../daemon/profiles from build/, ../share/wakedraw/profiles when installed).
 * NULL with file, line and key in the error. */
struct profile *profile_load(const char *name_or_path, struct error *error);
void profile_destroy(struct profile *profile);

const char *profile_name(const struct profile *profile);
const struct accuracy *profile_accuracy(const struct profile *profile);

#endif
