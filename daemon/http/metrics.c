/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * GET /metrics: OpenMetrics 1.0 text.
 */
#include "base/clock.h"
#include "base/number.h"
#include "http/route.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define METRICS_TYPE "application/openmetrics-text; version=1.0.0; charset=utf-8"

static void describe(FILE *out, const char *name, const char *type, const char *unit,
                     const char *help)
{
    fprintf(out, "# TYPE %s %s\n", name, type);
    if (unit)
        fprintf(out, "# UNIT %s %s\n", name, unit);
    fprintf(out, "# HELP %s %s\n", name, help);
}

static void print_number(FILE *out, double number)
{
    char text[32];
    fprintf(out, " %s\n", isnan(number) ? "NaN" : number_print(number, text));
}

/* A label's value, escaped as OpenMetrics wants it. */
static void print_label(FILE *out, const char *name, const char *value)
{
    fprintf(out, "%s=\"", name);
    for (; *value; value++) {
        if (*value == '\n')
            fputs("\\n", out);
        else if (*value == '"' || *value == '\\')
            fprintf(out, "\\%c", *value);
        else
            fputc(*value, out);
    }
    fputc('"', out);
}

struct supply_metric {
    const char *key, *name, *type, *unit, *help;
};

static const struct supply_metric supply_metrics[] = {
    {"readings", "wakedraw_readings", "counter", NULL, "Readings taken."},
    {"power_ups", "wakedraw_power_ups", "counter", NULL, "Power-ups caught."},
    {"not_kept", "wakedraw_not_kept", "counter", NULL, "Writes that the store refused."},
    {"transactions", "wakedraw_transactions", "counter", NULL, "Queries sent to a supply."},
    {"supply_errors", "wakedraw_supply_errors", "counter", NULL, "Errors that a supply told."},
    {"gaps", "wakedraw_gaps", "counter", NULL, "Gaps in the readings of a supply."},
    {"repeats", "wakedraw_repeats", "counter", NULL, "Readings whose readback had not renewed."},
    {"timeouts", "wakedraw_timeouts", "counter", NULL, "Replies that did not come in time."},
    {"garbled", "wakedraw_garbled", "counter", NULL, "Replies that could not be read."},
    {"resynchronised", "wakedraw_resynchronised", "counter", NULL,
     "Times that queries and replies were brought back in step."},
    {"dropped", "wakedraw_dropped", "counter", NULL, "Readings lost to a full queue."},
    {"rate_hz", "wakedraw_rate_hertz", "gauge", "hertz", "Readings a second now."},
    {"limit_hz", "wakedraw_limit_hertz", "gauge", "hertz", "What link and conversion allow."},
    {"limit_share", "wakedraw_limit_share_ratio", "gauge", "ratio",
     "Share of that limit that is reached."},
    {"jitter_s", "wakedraw_jitter_seconds", "gauge", "seconds", "Spread of the reading interval."},
    {"longest_gap_s", "wakedraw_longest_gap_seconds", "gauge", "seconds", "Longest gap seen."},
    {"age_s", "wakedraw_reading_age_seconds", "gauge", "seconds", "Age of the last reading."},
    {"judging_s", "wakedraw_last_judging_seconds", "gauge", "seconds", "The last judging."},
    {"commit_s", "wakedraw_last_commit_seconds", "gauge", "seconds", "The last commit."},
};

static void print_supply_metric(FILE *out, const struct supply_metric *metric,
                                const json_t *supplies)
{
    size_t index;
    json_t *supply;
    describe(out, metric->name, metric->type, metric->unit, metric->help);
    json_array_foreach(supplies, index, supply)
    {
        const json_t *value = json_object_get(supply, metric->key);
        const char *name = json_string_value(json_object_get(supply, "name"));
        if (!json_is_number(value) || !name)
            continue;
        fprintf(out, "%s%s{", metric->name, strcmp(metric->type, "counter") == 0 ? "_total" : "");
        print_label(out, "supply", name);
        fputc('}', out);
        print_number(out, json_number_value(value));
    }
}

static void print_verdicts(FILE *out, const json_t *supplies)
{
    size_t index;
    json_t *supply;
    describe(out, "wakedraw_verdicts", "counter", NULL, "Verdicts given.");
    json_array_foreach(supplies, index, supply)
    {
        const char *name = json_string_value(json_object_get(supply, "name"));
        const char *kind;
        json_t *count;
        json_object_foreach(json_object_get(supply, "verdicts"), kind, count)
        {
            fputs("wakedraw_verdicts_total{", out);
            print_label(out, "supply", name ? name : "");
            fputc(',', out);
            print_label(out, "verdict", kind);
            fprintf(out, "} %lld\n", (long long)json_integer_value(count));
        }
    }
}

static void print_states(FILE *out, const json_t *supplies)
{
    static const char *const states[] = {"reading", "opening", "gone"};
    size_t index;
    json_t *supply;
    describe(out, "wakedraw_supply_state", "stateset", NULL, "What a supply is doing.");
    json_array_foreach(supplies, index, supply)
    {
        const char *name = json_string_value(json_object_get(supply, "name"));
        const char *state = json_string_value(json_object_get(supply, "state"));
        for (size_t i = 0; name && state && i < sizeof states / sizeof states[0]; i++) {
            fputs("wakedraw_supply_state{", out);
            print_label(out, "supply", name);
            fprintf(out, ",wakedraw_supply_state=\"%s\"} %d\n", states[i],
                    strcmp(state, states[i]) == 0);
        }
    }
}

static void print_counter(FILE *out, struct tally *tally, enum tally_counter counter,
                          const char *name, const char *label)
{
    fprintf(out, "%s_total%s %llu\n", name, label, (unsigned long long)tally_total(tally, counter));
}

static void print_counters(FILE *out, struct tally *tally)
{
    static const struct {
        enum tally_counter counter;
        const char *name, *label, *help; /* help NULL: the same family as before */
    } counters[] = {
        {TALLY_EVENTS_LOST, "wakedraw_events_lost", "",
         "Reading events that slow streams went without."},
        {TALLY_STREAMS_CUT, "wakedraw_streams_cut", "", "Event streams ended as too slow."},
        {TALLY_STREAMS_REFUSED, "wakedraw_streams_refused", "",
         "Event streams refused as too many."},
        {TALLY_ANSWERS_2XX, "wakedraw_answers", "{status=\"2xx\"}", "HTTP answers."},
        {TALLY_ANSWERS_3XX, "wakedraw_answers", "{status=\"3xx\"}", NULL},
        {TALLY_ANSWERS_4XX, "wakedraw_answers", "{status=\"4xx\"}", NULL},
        {TALLY_ANSWERS_5XX, "wakedraw_answers", "{status=\"5xx\"}", NULL},
    };
    for (size_t i = 0; i < sizeof counters / sizeof counters[0]; i++) {
        if (counters[i].help)
            describe(out, counters[i].name, "counter", NULL, counters[i].help);
        print_counter(out, tally, counters[i].counter, counters[i].name, counters[i].label);
    }
}

static void print_timing(FILE *out, const struct timing *timing, const char *name, const char *help)
{
    uint64_t so_far = 0;
    char text[32];
    describe(out, name, "histogram", "seconds", help);
    for (int i = 0; i < TALLY_BUCKETS; i++) {
        so_far += timing->buckets[i];
        double bound_s = tally_bound_s(i);
        fprintf(out, "%s_bucket{le=\"%s\"} %llu\n", name,
                isinf(bound_s) ? "+Inf" : number_print(bound_s, text), (unsigned long long)so_far);
    }
    fprintf(out, "%s_count %llu\n%s_sum", name, (unsigned long long)timing->count, name);
    print_number(out, timing->sum_s);
}

static void print_timings(FILE *out, struct tally *tally)
{
    struct timing write = tally_timing(tally, TALLY_EVENT_WRITE);
    struct timing judging = tally_timing(tally, TALLY_JUDGING);
    struct timing commit = tally_timing(tally, TALLY_COMMIT);
    print_timing(out, &write, "wakedraw_event_write_seconds",
                 "From an event handed in to its bytes with the socket.");
    print_timing(out, &judging, "wakedraw_judging_seconds", "Judging that gave a verdict.");
    print_timing(out, &commit, "wakedraw_commit_seconds", "Commit of a verdict to the disk.");
}

static void print_all(FILE *out, const struct office *office, const json_t *supplies)
{
    size_t streams = 0;
    size_t waiting = 0;
    describe(out, "wakedraw_build", "info", NULL, "The program.");
    fprintf(out, "wakedraw_build_info{version=\"%s\"} 1\n", WAKEDRAW_VERSION);
    describe(out, "wakedraw_uptime_seconds", "gauge", "seconds", "Since the server began.");
    fputs("wakedraw_uptime_seconds", out);
    print_number(out, clock_monotonic_s() - office->started_s);
    print_states(out, supplies);
    for (size_t i = 0; i < sizeof supply_metrics / sizeof supply_metrics[0]; i++)
        print_supply_metric(out, &supply_metrics[i], supplies);
    print_verdicts(out, supplies);
    print_counters(out, office->tally);
    live_state(office->live, &streams, &waiting);
    describe(out, "wakedraw_streams", "gauge", NULL, "Event streams open.");
    fprintf(out, "wakedraw_streams %zu\n", streams);
    describe(out, "wakedraw_stream_queue_bytes", "gauge", "bytes",
             "Waiting in the fullest stream's queue.");
    fprintf(out, "wakedraw_stream_queue_bytes %zu\n", waiting);
    print_timings(out, office->tally);
    fputs("# EOF\n", out);
}

void metrics_get(struct desk *desk, struct call *call)
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    if (out) {
        json_t *supplies = bench_supplies(desk->office->bench);
        print_all(out, desk->office, supplies);
        json_decref(supplies);
    }
    if (!out || fclose(out) != 0) {
        struct error error = {0};
        free(text);
        error_set(&error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        answer_error(call->answer, &error);
        return;
    }
    answer_text(call->answer, METRICS_TYPE, text, length);
}
