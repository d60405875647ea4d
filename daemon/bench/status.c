/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/status.h"

#include "base/clock.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Readings older than this are not shown as the present. */
#define FRESH_S 2.0

int status_board_init(struct status_board *board, const struct config *config)
{
    size_t count = config->supply_count > 0 ? (size_t)config->supply_count : 1;
    *board = (struct status_board){.config = config};
    board->supplies = calloc(count, sizeof *board->supplies);
    board->rests = calloc(count, sizeof *board->rests);
    if (!board->supplies || !board->rests) {
        free(board->supplies);
        free(board->rests);
        *board = (struct status_board){0};
        return -1;
    }
    pthread_mutex_init(&board->mutex, NULL);
    for (size_t i = 0; i < count; i++) {
        board->supplies[i].polling.voltage_set_V = NAN;
        board->supplies[i].polling.limit_set_A = NAN;
        board->supplies[i].polling.rate_hz = NAN;
        board->supplies[i].polling.jitter_s = NAN;
        board->supplies[i].polling.longest_gap_s = NAN;
        board->supplies[i].polling.wire.limit_hz = NAN;
        board->supplies[i].polling.wire.limit_computed_hz = NAN;
        board->supplies[i].polling.wire.limit_share = NAN;
        board->supplies[i].polling.wire.conversion_hz = NAN;
        board->supplies[i].chain.last_received_s = NAN;
        board->supplies[i].chain.judging_s = NAN;
        board->supplies[i].chain.commit_s = NAN;
    }
    return 0;
}

void status_board_clear(struct status_board *board)
{
    if (!board->supplies)
        return;
    pthread_mutex_destroy(&board->mutex);
    free(board->supplies);
    free(board->rests);
    *board = (struct status_board){0};
}

void status_beat(struct status_board *board)
{
    double now_s = clock_monotonic_s();
    pthread_mutex_lock(&board->mutex);
    board->chain_beat_s = now_s;
    pthread_mutex_unlock(&board->mutex);
}

void status_note_write(struct status_board *board, const char *problem)
{
    pthread_mutex_lock(&board->mutex);
    board->store_problem[0] = '\0';
    strncat(board->store_problem, problem ? problem : "", sizeof board->store_problem - 1);
    pthread_mutex_unlock(&board->mutex);
}

static json_t *number_or_null(double number)
{
    return isfinite(number) ? json_real(number) : json_null();
}

static json_t *text_or_null(const char *text)
{
    return text[0] ? json_string(text) : json_null();
}

static json_t *flag_or_null(enum known_flag flag)
{
    return flag == FLAG_UNKNOWN ? json_null() : json_boolean(flag == FLAG_YES);
}

static void add_polling(json_t *item, const struct polling_status *polling)
{
    const struct wire_state *wire = &polling->wire;
    json_object_set_new(item, "state",
                        json_string(polling->connected ? "reading"
                                    : polling->tried   ? "gone"
                                                       : "opening"));
    json_object_set_new(item, "problem", text_or_null(polling->problem));
    json_object_set_new(item, "identity", text_or_null(wire->identity));
    json_object_set_new(item, "device", text_or_null(wire->device));
    json_object_set_new(item, "usb_serial", text_or_null(wire->usb_serial));
    json_object_set_new(item, "low_latency", text_or_null(link_latency_word(wire->low_latency)));
    json_object_set_new(item, "rate_hz",
                        polling->connected ? number_or_null(polling->rate_hz) : json_null());
    json_object_set_new(item, "limit_hz", number_or_null(wire->limit_hz));
    json_object_set_new(item, "limit_why", text_or_null(wire->limit_why));
    json_object_set_new(item, "limit_computed_hz", number_or_null(wire->limit_computed_hz));
    json_object_set_new(item, "limit_share", number_or_null(wire->limit_share));
    json_object_set_new(item, "conversion_hz", number_or_null(wire->conversion_hz));
    json_object_set_new(item, "jitter_s", number_or_null(polling->jitter_s));
    json_object_set_new(item, "longest_gap_s", number_or_null(polling->longest_gap_s));
    json_object_set_new(item, "gaps", json_integer((json_int_t)polling->gaps));
    json_object_set_new(item, "repeats", json_integer((json_int_t)wire->repeats));
    json_object_set_new(item, "transactions", json_integer((json_int_t)wire->transactions));
    json_object_set_new(item, "timeouts", json_integer((json_int_t)wire->timeouts));
    json_object_set_new(item, "garbled", json_integer((json_int_t)wire->garbled));
    json_object_set_new(item, "resynchronised", json_integer((json_int_t)wire->resynchronised));
    json_object_set_new(item, "supply_errors", json_integer((json_int_t)wire->supply_errors));
    json_object_set_new(item, "dropped", json_integer((json_int_t)polling->dropped));
    json_object_set_new(item, "voltage_set_V", number_or_null(polling->voltage_set_V));
    json_object_set_new(item, "limit_set_A", number_or_null(polling->limit_set_A));
}

static json_t *time_or_null(int64_t wall_us)
{
    char at[25];
    return wall_us ? json_string(clock_rfc3339(wall_us, at)) : json_null();
}

static void add_output(json_t *item, const struct output_status *output,
                       const struct hold_status *hold)
{
    const struct output_asker *by = &output->by;
    bool told = output->at_us != 0;
    json_object_set_new(item, "output_doing", text_or_null(output->doing));
    json_object_set_new(item, "output_last",
                        told ? json_string(output_what_name(output->last)) : json_null());
    json_object_set_new(item, "output_at", time_or_null(output->at_us));
    json_object_set_new(item, "output_by", told ? text_or_null(by->who) : json_null());
    json_object_set_new(item, "output_hand", told ? text_or_null(by->hand) : json_null());
    json_object_set_new(item, "output_why", told ? text_or_null(by->why) : json_null());
    json_object_set_new(item, "output_ours", json_boolean(output->ours));
    json_object_set_new(item, "off_wanted", json_boolean(output->off_wanted));
    json_object_set_new(item, "output_problem", text_or_null(output->problem));
    json_object_set_new(item, "settings_by_hand", json_boolean(output->settings_by_hand));
    json_object_set_new(
        item, "hold",
        output->held ? json_pack("{s:o, s:o, s:o, s:o}", "since", time_or_null(hold->since_us),
                                 "unit", text_or_null(hold->unit), "hand", text_or_null(hold->hand),
                                 "why", text_or_null(hold->why))
                     : json_null());
}

static void add_chain(json_t *item, const struct chain_status *chain)
{
    double age_s = clock_monotonic_s() - chain->last_received_s;
    bool fresh = isfinite(age_s) && age_s < FRESH_S;
    const struct reading *last = &chain->last;
    const struct on_bench *on_bench = &chain->on_bench;
    json_object_set_new(item, "module_type", text_or_null(on_bench->module_type));
    json_object_set_new(item, "unit", text_or_null(on_bench->unit));
    json_object_set_new(item, "work_order", text_or_null(on_bench->work_order));
    json_object_set_new(item, "stage", text_or_null(on_bench->stage));
    char confirmed[25];
    json_object_set_new(item, "tag", text_or_null(on_bench->tag));
    json_object_set_new(item, "on_bench_confirmed_at",
                        on_bench->confirmed_us
                            ? json_string(clock_rfc3339(on_bench->confirmed_us, confirmed))
                            : json_null());
    json_object_set_new(item, "ask_unit", json_boolean(chain->ask_unit));
    json_object_set_new(
        item, "run", chain->run_id ? json_sprintf("%lld", (long long)chain->run_id) : json_null());
    json_object_set_new(item, "voltage_V", fresh ? number_or_null(last->voltage_V) : json_null());
    json_object_set_new(item, "current_A",
                        fresh && last->valid ? number_or_null(last->current_A) : json_null());
    json_object_set_new(item, "output_on", fresh ? flag_or_null(last->output_on) : json_null());
    json_object_set_new(item, "limited", fresh ? flag_or_null(last->limited) : json_null());
    char at[25];
    json_object_set_new(item, "last_reading_at",
                        isfinite(age_s) ? json_string(clock_rfc3339(chain->last_wall_us, at))
                                        : json_null());
    json_object_set_new(item, "age_s", number_or_null(age_s));
    json_object_set_new(item, "power_up",
                        chain->open_id ? json_sprintf("%lld", (long long)chain->open_id)
                                       : json_null());
    json_object_set_new(item, "reference_version",
                        chain->reference_version ? json_integer(chain->reference_version)
                                                 : json_null());
    json_object_set_new(item, "judging_s", number_or_null(chain->judging_s));
    json_object_set_new(item, "commit_s", number_or_null(chain->commit_s));
    json_object_set_new(item, "readings", json_integer((json_int_t)chain->readings));
    json_object_set_new(item, "power_ups", json_integer((json_int_t)chain->power_ups));
    json_object_set_new(item, "not_kept", json_integer((json_int_t)chain->not_kept));
    json_t *verdicts = json_object();
    for (int kind = VERDICT_GOOD; kind <= VERDICT_UNSURE; kind++)
        json_object_set_new(verdicts, verdict_kind_name((enum verdict_kind)kind),
                            json_integer((json_int_t)chain->verdicts[kind]));
    json_object_set_new(item, "verdicts", verdicts);
}

json_t *status_to_json(struct status_board *board, int supply)
{
    pthread_mutex_lock(&board->mutex);
    struct supply_status copy = board->supplies[supply];
    pthread_mutex_unlock(&board->mutex);
    const struct supply_config *config = &board->config->supplies[supply];
    json_t *item = json_object();
    json_object_set_new(item, "name", json_string(config->name));
    json_object_set_new(item, "link", json_string(config->link.text));
    json_object_set_new(item, "profile", json_string(config->profile));
    json_object_set_new(item, "output", json_integer(config->output));
    json_object_set_new(item, "control", json_boolean(config->control));
    add_polling(item, &copy.polling);
    add_output(item, &copy.output, &copy.hold);
    add_chain(item, &copy.chain);
    return item;
}
