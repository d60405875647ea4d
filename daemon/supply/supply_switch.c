/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Setting and switching, whatever a supply speaks.
 */
#include "supply/supply_private.h"

#include "base/clock.h"

#include <math.h>

static int may_control(const struct supply *supply, struct error *error)
{
    if (supply->control)
        return 0;
    return error_set(error, EXIT_UNAVAILABLE, supply->connection->spec.text, 0, NULL,
                     "output %d may only be watched (control = off)", supply->output);
}

/* What was told of the output before does not hold any more: it is asked for anew. */
static void forget_output(struct supply *supply)
{
    supply->output_on = FLAG_UNKNOWN;
    supply->output_due_s = 0;
}

enum supply_result supply_switch_output(struct supply *supply, bool on, struct error *error)
{
    struct connection *connection = supply->connection;
    if (may_control(supply, error) != 0)
        return SUPPLY_NO_READING;
    if (!connection->is_open)
        return supply_fail(connection, SUPPLY_GONE, error, "is not open");
    enum supply_result result = connection_sort_out(
        connection, connection->dialect->switch_output(supply, on, error), error);
    forget_output(supply);
    return result;
}

enum supply_result supply_off(struct supply *supply, struct error *error)
{
    if (may_control(supply, error) != 0)
        return SUPPLY_NO_READING;
    if (!supply->connection->link)
        return supply_fail(supply->connection, SUPPLY_GONE, error, "is not open");
    forget_output(supply);
    return supply->connection->dialect->off(supply, error);
}

enum supply_result supply_confirm_off(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    if (may_control(supply, error) != 0)
        return SUPPLY_NO_READING;
    if (!connection->is_open)
        return supply_fail(connection, SUPPLY_GONE, error, "is not open");
    enum supply_result result =
        connection_sort_out(connection, connection->dialect->confirm_off(supply, error), error);
    forget_output(supply);
    return result;
}

bool supply_tells_output(const struct supply *supply)
{
    return supply->connection->dialect->tells_output(supply);
}

enum supply_result supply_read_settings(struct supply *supply, double *voltage_V, double *limit_A,
                                        struct error *error)
{
    struct connection *connection = supply->connection;
    *voltage_V = *limit_A = NAN;
    if (!connection->is_open)
        return supply_fail(connection, SUPPLY_GONE, error, "is not open");
    double begun_s = clock_monotonic_s();
    enum supply_result result = SUPPLY_OK;
    /* An answer that is written unlike all before is asked for once more. */
    for (int i = 0; i < 2 && result == SUPPLY_OK && !(supply->settings_read_s >= begun_s); i++)
        result = connection_sort_out(connection, connection->dialect->read_settings(supply, error),
                                     error);
    if (result == SUPPLY_OK && supply->settings_read_s >= begun_s)
        supply_settings(supply, voltage_V, limit_A);
    return result;
}

void supply_ratings(const struct supply *supply, double *voltage_V, double *current_A)
{
    *voltage_V = supply->connection->profile->rated_voltage_V;
    *current_A = supply->connection->profile->rated_current_A;
}

enum supply_result supply_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error)
{
    const struct profile *profile = supply->connection->profile;
    if (may_control(supply, error) != 0)
        return SUPPLY_NO_READING;
    if (!(voltage_V >= 0) || voltage_V > profile->rated_voltage_V || isinf(voltage_V))
        return supply_fail(supply->connection, SUPPLY_NO_READING, error,
                           "%g V is outside the supply's 0 to %g V", voltage_V,
                           profile->rated_voltage_V);
    if (!(limit_A >= 0) || limit_A > profile->rated_current_A || isinf(limit_A))
        return supply_fail(supply->connection, SUPPLY_NO_READING, error,
                           "%g A is outside the supply's 0 to %g A", limit_A,
                           profile->rated_current_A);
    if (!supply->connection->is_open)
        return supply_fail(supply->connection, SUPPLY_GONE, error, "is not open");
    supply->settings_due_s = 0;
    return connection_sort_out(supply->connection,
                               supply->connection->dialect->set(supply, voltage_V, limit_A, error),
                               error);
}
