/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/supply_private.h"

#include "base/clock.h"
#include "supply/limit_state.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>

/* No readback is worth more polls than this. */
static const double SHORTEST_POLL_S = 0.001;
static const double POLLS_A_RENEWAL = 4;
static const double POLL_STEP_S = 0.0005;
/* At rest, where that is as near to one reading a renewal. */
static const double REST_STEP_S = 0.005;
static const double REST_SHARE = 0.05;
/* How often what does not come with the readings is asked by itself; on a slow
 * line less often, so that readings lose no more than this share of it. */
static const double ASKING_MAY_COST = 0.004;
static const double OUTPUT_ASKED_S = 5;
static const double SETTINGS_ASKED_S = 5;
static const double SETTINGS_CHECKED_S = 1;
/* After a step of the voltage, let the first instants of a power-up be read
 * before asking what caused it. */
static const double OUTPUT_ASKED_AFTER_STEP_S = 0.3;

enum { TIMER_SLACK_NS = 1000 };

static bool is_modbus(enum link_kind kind)
{
    return kind == LINK_MODBUS_RTU || kind == LINK_MODBUS_TCP || kind == LINK_MODBUS_RTU_TCP;
}

struct connection *connection_create(const struct profile *profile, const struct link_spec *spec,
                                     struct error *error)
{
    bool modbus = profile->speaks == PROFILE_MODBUS;
    if (modbus != is_modbus(spec->kind)) {
        error_set(error, EXIT_USAGE, spec->text, 0,
                  modbus ? "a modbus-rtu, modbus-tcp or modbus-rtu-tcp link"
                         : "a serial, tcp or usbtmc link",
                  "profile %s speaks %s", profile->name, modbus ? "modbus" : "scpi");
        return NULL;
    }
    struct connection *connection = calloc(1, sizeof *connection);
    if (!connection) {
        error_set(error, EXIT_SOFTWARE, spec->text, 0, NULL, "memory is out");
        return NULL;
    }
    connection->profile = profile;
    connection->spec = *spec;
    connection->dialect = modbus ? &modbus_dialect : &scpi_dialect;
    return connection;
}

void connection_destroy(struct connection *connection)
{
    if (!connection)
        return;
    connection_close(connection);
    connection->dialect->destroy(connection);
    free(connection);
}

/* no_other: the name may not lead to another USB device than before. */
static int open_link(struct connection *connection, bool no_other, double timeout_s,
                     struct error *error)
{
    connection_close(connection);
    connection->known.no_other = no_other;
    connection->link = link_open_again(&connection->spec, &connection->known, timeout_s, error);
    if (!connection->link)
        return -1;
    memset(&connection->pace, 0, sizeof connection->pace);
    memset(&connection->rate, 0, sizeof connection->rate);
    for (int i = 0; i < connection->output_count; i++) {
        struct supply *supply = connection->outputs[i];
        memset(&supply->renewal, 0, sizeof supply->renewal);
        supply->output_on = FLAG_UNKNOWN;
        supply->output_due_s = 0;
        supply->set_voltage_V = NAN;
        supply->set_limit_A = NAN;
        supply->settings_due_s = 0;
        supply->limited_agreed = 0;
    }
    if (connection->dialect->begin(connection, error) == 0)
        return 0;
    connection_close(connection);
    return -1;
}

int connection_open_link(struct connection *connection, double timeout_s, struct error *error)
{
    /* An off goes out on it before anybody says who he is. */
    return open_link(connection, true, timeout_s, error);
}

int connection_open(struct connection *connection, struct error *error)
{
    /* Linux lets sleeps of this thread end 0.05 ms late by default, a share of each
     * round trip where a silence of 1.75 ms is kept. */
    prctl(PR_SET_TIMERSLACK, TIMER_SLACK_NS, 0, 0, 0);
    double timeout_s = fmax(2, connection->profile->reply_timeout_s);
    if (connection->is_open)
        connection_close(connection);
    /* Who answers *IDN? with the same words is the same, on whatever converter. */
    bool no_other = !connection->known_identity[0];
    if (!connection->link && open_link(connection, no_other, timeout_s, error) != 0)
        return -1;
    connection->broken_off = false;
    int status = connection->dialect->open(connection, error);
    if (connection->broken_off) {
        connection->broken_off = false;
        return 1;
    }
    connection->is_open = status == 0;
    if (connection->is_open)
        connection->known.usb = *link_usb_device(connection->link);
    if (status != 0)
        connection_close(connection);
    return status;
}

void connection_close(struct connection *connection)
{
    connection->is_open = false;
    if (!connection->link)
        return;
    connection->dialect->close(connection);
    link_close(connection->link);
    connection->link = NULL;
    connection->identity[0] = '\0';
}

bool connection_has_link(const struct connection *connection)
{
    return connection->link != NULL;
}

void connection_hurry(struct connection *connection, bool hurry)
{
    atomic_store(&connection->hurry, hurry);
}

bool connection_breaks_off(struct connection *connection)
{
    if (!atomic_load(&connection->hurry))
        return false;
    connection->broken_off = true;
    return true;
}

enum supply_result connection_sort_out(struct connection *connection, enum supply_result result,
                                       struct error *error)
{
    bool broken_off = connection->broken_off;
    connection->broken_off = false;
    if (!broken_off || result == SUPPLY_OK)
        return result;
    if (error)
        *error = (struct error){0};
    return SUPPLY_BROKEN_OFF;
}

bool connection_is_open(const struct connection *connection)
{
    return connection->is_open;
}

void connection_note_round_trip(struct connection *connection, double seconds, double whole_s,
                                const struct wire_cost *cost)
{
    wire_pace_add(&connection->pace, seconds);
    wire_rate_add(&connection->rate, whole_s, cost->readings > 0 ? cost->readings : 1);
    connection->cost = *cost;
}

/* The renewal period of the output that renews fastest; NAN where one is not
 * known. */
static double shortest_renewal_s(const struct connection *connection)
{
    double shortest_s = NAN;
    for (int i = 0; i < connection->output_count; i++) {
        const struct supply *supply = connection->outputs[i];
        double period_s = supply->array_interval_s > 0 ? supply->array_interval_s
                                                       : renewal_period_s(&supply->renewal);
        if (isnan(period_s))
            return NAN;
        if (!(shortest_s < period_s))
            shortest_s = period_s;
    }
    return shortest_s;
}

/* In whole steps, so that threads that poll at about the same rate do so at the same
 * instants. */
static double poll_interval_s(const struct connection *connection, double renewal_s)
{
    if (!(renewal_s > 0))
        return SHORTEST_POLL_S;
    if (connection->rests) {
        double coarse_s = round(renewal_s / REST_STEP_S) * REST_STEP_S;
        if (fabs(coarse_s - renewal_s) <= REST_SHARE * renewal_s)
            return coarse_s;
        return fmax(SHORTEST_POLL_S, floor(renewal_s / SHORTEST_POLL_S) * SHORTEST_POLL_S);
    }
    double poll_s = renewal_s / POLLS_A_RENEWAL;
    if (poll_s > 4 * POLL_STEP_S)
        poll_s = floor(poll_s / POLL_STEP_S) * POLL_STEP_S;
    return fmax(SHORTEST_POLL_S, poll_s);
}

static void add_text(char *text, size_t size, const char *form, ...)
    __attribute__((format(printf, 3, 4)));

static void add_text(char *text, size_t size, const char *form, ...)
{
    size_t used = strlen(text);
    va_list arguments;
    va_start(arguments, form);
    vsnprintf(text + used, size - used, form, arguments);
    va_end(arguments);
}

static void say_why(const struct connection *connection, double least_s, double turnaround_s,
                    double poll_s, char *why, size_t size)
{
    const struct wire_cost *cost = &connection->cost;
    int outputs = connection->output_count;
    why[0] = '\0';
    if (link_character_s(&connection->spec) > 0)
        add_text(why, size, "%.0f + %.0f characters at %d baud + %.1f ms turnaround",
                 cost->query_chars, cost->reply_chars, connection->spec.baud, turnaround_s * 1e3);
    else
        add_text(why, size, "%.2f ms a round trip", turnaround_s * 1e3);
    if (cost->silence_s > 0)
        add_text(why, size, " + %.2f ms silence", cost->silence_s * 1e3);
    if (cost->gaps > 0)
        add_text(why, size, " + %d x %.0f ms that end the replies (%.1f readings/s without)",
                 cost->gaps, cost->gap_s * 1e3 / cost->gaps,
                 1 / ((least_s - cost->gap_s) * (outputs > 1 ? outputs : 1)));
    if (cost->readings > 1)
        add_text(why, size, " for %d conversions in %.1f ms", cost->readings,
                 cost->acquisition_s * 1e3);
    if (outputs > 1)
        add_text(why, size, ", %d outputs in turn", outputs);
    if (poll_s <= least_s * outputs)
        return;
    double renewal_s = shortest_renewal_s(connection);
    if (poll_s > SHORTEST_POLL_S && renewal_s > 0)
        add_text(why, size, "; %s at %.1f Hz",
                 connection->rests ? "at rest, a reading a renewal" : "four readings a renewal",
                 1 / renewal_s);
    else
        add_text(why, size, "; 1000 readings/s at most");
}

void connection_wire_state(const struct connection *connection, struct wire_state *state)
{
    memset(state, 0, sizeof *state);
    snprintf(state->identity, sizeof state->identity, "%s", connection->identity);
    if (connection->link) {
        const struct usb_device *usb = link_usb_device(connection->link);
        state->low_latency = link_low_latency(connection->link);
        snprintf(state->usb_serial, sizeof state->usb_serial, "%s", usb->serial);
        snprintf(state->device, sizeof state->device, "%s", link_device_path(connection->link));
    }
    state->transactions = connection->transactions;
    state->timeouts = connection->timeouts;
    state->garbled = connection->garbled;
    state->resynchronised = connection->resynchronised;
    state->supply_errors = connection->supply_errors;
    state->repeats = connection->repeats;
    double renewal_s = shortest_renewal_s(connection);
    state->conversion_hz = renewal_s > 0 ? 1 / renewal_s : (double)NAN;
    state->limit_hz = NAN;
    state->limit_computed_hz = NAN;
    state->limit_share = NAN;
    double turnaround_s = NAN;
    double least_s = wire_cost_least_s(&connection->cost, &connection->pace,
                                       link_character_s(&connection->spec), &turnaround_s);
    if (!(least_s > 0))
        return;
    int outputs = connection->output_count > 0 ? connection->output_count : 1;
    int readings = connection->cost.readings > 0 ? connection->cost.readings : 1;
    /* An array's conversions are the supply's own, each of them new. */
    double poll_s = readings > 1 ? 0 : poll_interval_s(connection, renewal_s);
    state->limit_computed_hz = readings / (least_s * outputs);
    state->limit_hz = readings / fmax(least_s * outputs, poll_s);
    state->limit_share = wire_rate_hz(&connection->rate) / outputs / state->limit_hz;
    say_why(connection, least_s, turnaround_s, poll_s, state->limit_why, sizeof state->limit_why);
}

struct supply *supply_create(struct connection *connection, int output, bool control,
                             struct error *error)
{
    if (output < 1 || output > connection->profile->outputs) {
        error_set(error, EXIT_USAGE, connection->spec.text, 0, NULL,
                  "output %d: profile %s has outputs 1 to %d", output, connection->profile->name,
                  connection->profile->outputs);
        return NULL;
    }
    struct supply *supply = NULL;
    if (connection->output_count < MOST_OUTPUTS)
        supply = calloc(1, sizeof *supply);
    if (!supply) {
        error_set(error, EXIT_SOFTWARE, connection->spec.text, 0, NULL, "memory is out");
        return NULL;
    }
    supply->connection = connection;
    supply->output = output;
    supply->control = control;
    supply->set_voltage_V = NAN;
    supply->set_limit_A = NAN;
    supply->output_on = FLAG_UNKNOWN;
    supply->output_word = -1;
    connection->outputs[connection->output_count++] = supply;
    return supply;
}

void supply_destroy(struct supply *supply)
{
    if (!supply)
        return;
    struct connection *connection = supply->connection;
    connection->dialect->forget(supply);
    for (int i = 0; i < connection->output_count; i++) {
        if (connection->outputs[i] != supply)
            continue;
        connection->outputs[i] = connection->outputs[--connection->output_count];
        break;
    }
    free(supply);
}

static bool plausible(double value, double rated)
{
    double most = isnan(rated) ? 1000 : 1.1 * rated + 0.5;
    return fabs(value) <= most;
}

bool supply_voltage_plausible(const struct supply *supply, double voltage_V)
{
    return plausible(voltage_V, supply->connection->profile->rated_voltage_V);
}

bool supply_current_plausible(const struct supply *supply, double current_A)
{
    return plausible(current_A, supply->connection->profile->rated_current_A);
}

static bool same_voltage(double told_V, double voltage_V)
{
    return fabs(voltage_V - told_V) <= fmax(0.3, 0.05 * fabs(told_V));
}

static enum known_flag decide_limited(struct supply *supply, const struct reading *reading,
                                      enum known_flag told)
{
    enum known_flag derived =
        limit_state_derive(reading, supply->set_voltage_V, supply->set_limit_A,
                           profile_accuracy(supply->connection->profile));
    if (reading->output_on == FLAG_NO)
        return FLAG_NO;
    if (derived == FLAG_YES && reading->time_s - supply->settings_read_s > SETTINGS_CHECKED_S)
        supply->settings_due_s = 0;
    if (told == FLAG_UNKNOWN)
        return derived;
    /* Families disagree on which status bit means the limit: the supply's word
     * counts as long as it does not contradict what the set points show. */
    if (derived != FLAG_UNKNOWN) {
        int step = derived == told ? 1 : -1;
        int agreed = supply->limited_agreed + step;
        supply->limited_agreed = agreed > 50 ? 50 : agreed < -50 ? -50 : agreed;
        return supply->limited_agreed >= 0 ? told : derived;
    }
    return supply->limited_agreed >= 0 ? told : FLAG_UNKNOWN;
}

void supply_complete(struct supply *supply, struct reading *reading, enum known_flag output_on,
                     enum known_flag limited)
{
    bool stands = reading->valid && same_voltage(supply->output_told_V, reading->voltage_V);
    if (output_on != FLAG_UNKNOWN) {
        supply_note_output(supply, output_on, reading->voltage_V, reading->time_s);
    } else if (supply->output_on != FLAG_UNKNOWN && stands) {
        output_on = supply->output_on;
    } else if (reading->valid && !stands) {
        double due_s = reading->time_s + OUTPUT_ASKED_AFTER_STEP_S;
        supply->output_on = FLAG_UNKNOWN;
        if (supply->output_due_s > due_s)
            supply->output_due_s = due_s;
    }
    reading->output_on = output_on;
    reading->limited = decide_limited(supply, reading, limited);
}

bool supply_output_due(const struct supply *supply, double now_s)
{
    return now_s >= supply->output_due_s;
}

bool supply_settings_due(const struct supply *supply, double now_s)
{
    return now_s >= supply->settings_due_s;
}

/* The next one is due after so long, asking having begun at `begun_s`. */
static double at_least(double interval_s, double begun_s)
{
    return fmax(interval_s, (clock_monotonic_s() - begun_s) / ASKING_MAY_COST);
}

void supply_note_output(struct supply *supply, enum known_flag output_on, double voltage_V,
                        double now_s)
{
    supply->output_on = output_on;
    supply->output_told_V = voltage_V;
    supply->output_due_s = now_s + at_least(OUTPUT_ASKED_S, now_s);
}

void supply_note_settings(struct supply *supply, double voltage_V, double limit_A, double now_s)
{
    supply->set_voltage_V = voltage_V;
    supply->set_limit_A = limit_A;
    supply->settings_read_s = now_s;
    supply->settings_due_s = now_s + at_least(SETTINGS_ASKED_S, now_s);
}

enum supply_result supply_fail(const struct connection *connection, enum supply_result result,
                               struct error *error, const char *what, ...)
{
    char text[220];
    va_list arguments;
    va_start(arguments, what);
    vsnprintf(text, sizeof text, what, arguments);
    va_end(arguments);
    error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL, "%s", text);
    return result;
}

enum supply_result supply_read(struct supply *supply, struct reading *reading, bool *repeat,
                               struct error *error)
{
    struct connection *connection = supply->connection;
    *repeat = false;
    *reading = (struct reading){
        .voltage_V = NAN, .current_A = NAN, .output_on = FLAG_UNKNOWN, .limited = FLAG_UNKNOWN};
    if (!connection->is_open)
        return supply_fail(connection, SUPPLY_GONE, error, "is not open");
    enum supply_result result =
        connection_sort_out(connection, connection->dialect->read(supply, reading, error), error);
    if (result != SUPPLY_OK)
        return result;
    reading_quantise(reading);
    if (!reading->valid)
        return SUPPLY_OK;
    if (supply->array_interval_s > 0)
        return SUPPLY_OK;
    *repeat =
        renewal_step(&supply->renewal, reading->time_s, reading->voltage_V, reading->current_A);
    if (*repeat)
        connection->repeats++;
    return SUPPLY_OK;
}

double supply_poll_interval_s(const struct supply *supply)
{
    double period_s = renewal_period_s(&supply->renewal);
    if (supply->array_interval_s > 0)
        return 0; /* what is there is handed on at once; an acquisition takes its time */
    return poll_interval_s(supply->connection, period_s);
}

void connection_rest(struct connection *connection, bool rests)
{
    if (rests == connection->rests)
        return;
    connection->rests = rests;
    /* The share of the limit counts anew, with the limit. */
    memset(&connection->rate, 0, sizeof connection->rate);
}

void supply_settings(const struct supply *supply, double *voltage_V, double *limit_A)
{
    *voltage_V = supply->set_voltage_V;
    *limit_A = supply->set_limit_A;
}
