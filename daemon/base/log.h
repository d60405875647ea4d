/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One line a happening, on standard error, with the priority in front where
 * systemd's journal reads it (sd-daemon(3)) and without it on a terminal.
 */
#ifndef WAKEDRAW_BASE_LOG_H
#define WAKEDRAW_BASE_LOG_H

void log_info(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_warning(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_failure(const char *format, ...) __attribute__((format(printf, 1, 2)));

#endif
