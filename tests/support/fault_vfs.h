/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The disk as a test wants it: a layer over SQLite's own file system that fails
 * the Nth call that changes anything, and that knows at every instant what a
 * power cut would leave: what was synced, and of what was written since any
 * part, sector by sector.
 */
#ifndef WAKEDRAW_TESTS_SUPPORT_FAULT_VFS_H
#define WAKEDRAW_TESTS_SUPPORT_FAULT_VFS_H

#include <stdbool.h>

/* Becomes SQLite's file system for connections opened from now on. */
void fault_vfs_install(void);

enum fault_kind {
    FAULT_FULL,  /* no space: half of a write is done, then SQLITE_FULL */
    FAULT_BROKEN /* SQLITE_IOERR_*: nothing of the call is done */
};

/* Fails the Nth changing call from now on (1: the next), and if `for_good` all
 * after it; 0: never. Sets the count of calls to 0. */
void fault_vfs_fail(long nth, enum fault_kind kind, bool for_good);

/* Changing calls (write, sync, truncate, delete, open to create) so far. */
long fault_vfs_calls(void);
bool fault_vfs_has_failed(void);

/* At the Nth changing call, before it is done, writes what a power cut would
 * leave into the directory; 0: never. Sets the count of calls to 0. */
void fault_vfs_cut_at(long nth, const char *directory);
/* The same, now. */
void fault_vfs_cut(const char *directory);

/* Forgets what was written to which file. */
void fault_vfs_forget(void);

#endif
