/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Finding the registers of an undocumented Modbus supply, led by a page.
 */
#include "bench/config.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/register_finds.h"
#include "http/route.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

enum { LONGEST_NAME = 40, LONGEST_LINK = 299 };

static double number_of(const json_t *body, const char *key, double otherwise)
{
    const json_t *number = json_object_get(body, key);
    return json_is_number(number) ? json_number_value(number) : otherwise;
}

/* Refuses what is no Modbus link, or is some supply's. */
static bool read_link(const struct desk *desk, const char *text, struct link_spec *link,
                      struct answer *answer)
{
    struct error error = {0};
    const struct config *config = desk->office->config;
    if (link_parse(text, link, &error) != 0) {
        char words[600];
        answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "link", "%s",
                       error_text(&error, words, sizeof words));
        return false;
    }
    if (link->kind != LINK_MODBUS_RTU && link->kind != LINK_MODBUS_TCP &&
        link->kind != LINK_MODBUS_RTU_TCP) {
        answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "link",
                       "\"link\" must be a modbus-rtu, modbus-tcp or modbus-rtu-tcp link");
        return false;
    }
    const struct supply_config own = {.link = *link};
    for (int i = 0; i < config->supply_count; i++) {
        if (!config_same_link(&own, &config->supplies[i]))
            continue;
        answer_problem(answer, MHD_HTTP_CONFLICT, "link",
                       "supply %s uses this link: take it out of the configuration first",
                       config->supplies[i].name);
        return false;
    }
    return true;
}

static enum finder_load load_of(const char *word)
{
    static const char *const words[] = {"nothing", "resistor", "joined", "load"};
    size_t load = 0;
    while (load < COUNT(words) - 1 && strcmp(words[load], word) != 0)
        load++;
    return (enum finder_load)load;
}

static void answer_find(struct desk *desk, struct call *call, unsigned status, int64_t id)
{
    json_t *json = register_find_json(desk->office->finds, id);
    if (json)
        answer_json(call->answer, status, json);
    else
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id",
                       "no finding of registers with this id here");
}

void register_find_post(struct desk *desk, struct call *call)
{
    static const char *const loads[] = {"nothing", "resistor", "joined", "load", NULL};
    static const struct field fields[] = {
        {.key = "link", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_LINK},
        {.key = "rated_voltage_V", .kind = FIELD_NUMBER, .needed = true, .least = 1, .most = 1000},
        {.key = "rated_current_A",
         .kind = FIELD_NUMBER,
         .needed = true,
         .least = 0.05,
         .most = 1000},
        {.key = "most_voltage_V", .kind = FIELD_NUMBER, .needed = true, .least = 0.1, .most = 1000},
        {.key = "most_current_A",
         .kind = FIELD_NUMBER,
         .needed = true,
         .least = 0.001,
         .most = 1000},
        {.key = "step_V", .kind = FIELD_NUMBER, .least = 1e-4, .most = 1},
        {.key = "step_A", .kind = FIELD_NUMBER, .least = 1e-5, .most = 1},
        {.key = "load", .kind = FIELD_CHOICE, .needed = true, .choices = loads},
        {.key = "load_ohm", .kind = FIELD_NUMBER, .least = 0.01, .most = 1e5},
        {.key = "load_W", .kind = FIELD_NUMBER, .above_least = true, .most = 1e5},
        {.key = "from", .kind = FIELD_WHOLE, .least = 0, .most = 65535},
        {.key = "to", .kind = FIELD_WHOLE, .least = 0, .most = 65535},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct find_begin begin = {
        .supply = {.rated_voltage_V = number_of(body, "rated_voltage_V", 0),
                   .rated_current_A = number_of(body, "rated_current_A", 0),
                   .most_voltage_V = number_of(body, "most_voltage_V", 0),
                   .most_current_A = number_of(body, "most_current_A", 0),
                   .step_V = number_of(body, "step_V", 0.01),
                   .step_A = number_of(body, "step_A", 0.001),
                   .load = load_of(fields_text(body, "load")),
                   .load_ohm = number_of(body, "load_ohm", 0),
                   .load_W = number_of(body, "load_W", 0)},
        .from = (int)number_of(body, "from", 0),
        .to = (int)number_of(body, "to", 511),
    };
    struct error error = {0};
    int64_t id = -1;
    if (begin.from > begin.to)
        answer_problem(call->answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "to",
                       "\"to\" is below \"from\"");
    else if (read_link(desk, fields_text(body, "link"), &begin.link, call->answer))
        id = register_finds_begin(desk->office->finds, &begin, &error);
    json_decref(body);
    if (id >= 0) {
        answer_find(desk, call, MHD_HTTP_CREATED, id);
        snprintf(call->answer->location, sizeof call->answer->location,
                 "/api/v1/register-finds/%lld", (long long)id);
    } else if (call->answer->status == 0 && error.status == EXIT_BAD_DATA) {
        answer_problem(call->answer, MHD_HTTP_UNPROCESSABLE_CONTENT, error.file,
                       "\"%s\": found %s, expected %s", error.file, error.found, error.expected);
    } else if (call->answer->status == 0) {
        answer_unchanged(call->answer, &error);
    }
}

void register_find_get(struct desk *desk, struct call *call)
{
    int64_t id = 0;
    if (items_id(call, &id))
        answer_find(desk, call, MHD_HTTP_OK, id);
}

void register_find_step_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "step", .kind = FIELD_WHOLE, .least = 1, .most = FINDER_MOST_STEPS},
        {.key = "back", .kind = FIELD_SWITCH},
        {.key = "set_voltage_V", .kind = FIELD_NUMBER, .most = 1000},
        {.key = "set_limit_A", .kind = FIELD_NUMBER, .most = 1000},
        {.key = "shown_voltage_V", .kind = FIELD_NUMBER, .most = 1000},
        {.key = "shown_current_A", .kind = FIELD_NUMBER, .most = 1000},
    };
    int64_t id = 0;
    struct error error = {0};
    if (!items_id(call, &id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    const struct finder_answer answer = {
        .set_voltage_V = number_of(body, "set_voltage_V", NAN),
        .set_limit_A = number_of(body, "set_limit_A", NAN),
        .shown_voltage_V = number_of(body, "shown_voltage_V", NAN),
        .shown_current_A = number_of(body, "shown_current_A", NAN),
    };
    int result = json_is_true(json_object_get(body, "back"))
                     ? register_find_back(desk->office->finds, id, &error)
                     : register_find_step(desk->office->finds, id, (int)number_of(body, "step", 0),
                                          &answer, &error);
    json_decref(body);
    if (result == 0)
        answer_find(desk, call, MHD_HTTP_OK, id);
    else
        answer_unchanged(call->answer, &error);
}

/* Plain names only: they become file names, and stand in the configuration. */
static bool is_plain(const char *name)
{
    return name[0] && strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-_") == strlen(name);
}

static int save(const char *path, const char *text, struct error *error)
{
    int descriptor = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
    if (descriptor < 0)
        return error_set(error, errno == EEXIST ? EXIT_USAGE : EXIT_IO, NULL, 0, NULL, "%s: %s",
                         path,
                         errno == EEXIST ? "there is a profile of this name" : strerror(errno));
    size_t length = strlen(text);
    bool written = write(descriptor, text, length) == (ssize_t)length && fsync(descriptor) == 0;
    if (close(descriptor) == 0 && written)
        return 0;
    unlink(path);
    return error_set(error, EXIT_IO, path, 0, NULL, "it could not be written");
}

/* Written, and sound by its own check. */
static int keep_profile(const char *path, const char *text, struct error *error)
{
    if (save(path, text, error) != 0)
        return -1;
    struct profile *profile = profile_load(path, error);
    if (!profile) {
        unlink(path);
        return -1;
    }
    profile_destroy(profile);
    return 0;
}

void register_find_profile_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "name", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_NAME},
    };
    int64_t id = 0;
    struct error error = {0};
    char link[400];
    char path[700];
    if (!items_id(call, &id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    const char *name = fields_text(body, "name");
    char *text = NULL;
    if (!is_plain(name))
        answer_problem(call->answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "name",
                       "\"name\" must be of the letters a to z, figures, - and _");
    else if ((text = register_find_profile(desk->office->finds, id, link, &error)) == NULL)
        answer_unchanged(call->answer, &error);
    if (text) {
        snprintf(path, sizeof path, "%s/profiles", desk->office->config->data);
        mkdir(path, 0755); /* where it cannot be made, writing says so */
        snprintf(path, sizeof path, "%s/profiles/%s.ini", desk->office->config->data, name);
        if (keep_profile(path, text, &error) == 0)
            answer_json(call->answer, MHD_HTTP_CREATED,
                        json_pack("{s:s, s:s, s:s, s:s}", "name", name, "path", path, "link", link,
                                  "text", text));
        else
            answer_unchanged(call->answer, &error);
    }
    free(text);
    json_decref(body);
}

void register_find_end_post(struct desk *desk, struct call *call)
{
    int64_t id = 0;
    if (!items_id(call, &id))
        return;
    json_t *body = fields_read(call->body, call->body_length, NULL, 0, call->answer);
    if (!body)
        return;
    json_decref(body);
    if (register_find_end(desk->office->finds, id) == 0)
        answer_json(call->answer, MHD_HTTP_OK, json_pack("{s:b}", "ended", true));
    else
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id",
                       "no finding of registers with this id here");
}
