/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/answer.h"

#include "base/log.h"

#include <microhttpd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void answer_clear(struct answer *answer)
{
    free(answer->body);
    memset(answer, 0, sizeof *answer);
}

void answer_text(struct answer *answer, const char *content_type, char *text, size_t length)
{
    free(answer->body);
    answer->status = MHD_HTTP_OK;
    answer->content_type = content_type;
    answer->body = text;
    answer->length = length;
}

static void put_json(struct answer *answer, unsigned status, const char *content_type,
                     json_t *value)
{
    free(answer->body);
    answer->status = status;
    answer->content_type = content_type;
    answer->body = value ? json_dumps(value, ANSWER_JSON_FORM) : NULL;
    answer->length = answer->body ? strlen(answer->body) : 0;
    json_decref(value);
    if (!answer->body) {
        log_failure("an answer could not be written: memory is out");
        answer->status = MHD_HTTP_INTERNAL_SERVER_ERROR;
    }
}

void answer_json(struct answer *answer, unsigned status, json_t *value)
{
    put_json(answer, status, ANSWER_JSON, value);
}

void answer_problem(struct answer *answer, unsigned status, const char *field, const char *detail,
                    ...)
{
    char text[1400];
    va_list arguments;
    va_start(arguments, detail);
    vsnprintf(text, sizeof text, detail, arguments);
    va_end(arguments);
    json_t *problem =
        json_pack("{s:s, s:s, s:i, s:s}", "type", "about:blank", "title",
                  MHD_get_reason_phrase_for(status), "status", (int)status, "detail", text);
    /* What a client sent may not be UTF-8, and then it is not repeated to it. */
    if (!problem)
        problem = json_pack("{s:s, s:s, s:i}", "type", "about:blank", "title",
                            MHD_get_reason_phrase_for(status), "status", (int)status);
    if (problem && field) {
        json_t *name = json_string(field);
        if (name)
            json_object_set_new(problem, "field", name);
    }
    put_json(answer, status, ANSWER_PROBLEM, problem);
}

/* The rooms name the key at fault where others name a file. */
static bool is_key(const char *name)
{
    static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ_";
    return *name && strspn(name, letters) == strlen(name);
}

static void put_error(struct answer *answer, unsigned status, const struct error *error)
{
    char text[1200];
    error_text(error, text, sizeof text);
    if (status >= MHD_HTTP_INTERNAL_SERVER_ERROR)
        log_failure("a request failed: %s", text);
    answer_problem(answer, status, is_key(error->file) ? error->file : NULL, "%s", text);
    if (status == MHD_HTTP_SERVICE_UNAVAILABLE)
        answer->retry_after_s = 1;
}

void answer_error(struct answer *answer, const struct error *error)
{
    unsigned status = MHD_HTTP_INTERNAL_SERVER_ERROR;
    if (error->status == EXIT_BAD_DATA || error->status == EXIT_USAGE)
        status = MHD_HTTP_UNPROCESSABLE_CONTENT;
    else if (error->status == EXIT_NO_INPUT)
        status = MHD_HTTP_NOT_FOUND;
    else if (error->status == EXIT_UNAVAILABLE)
        status = MHD_HTTP_SERVICE_UNAVAILABLE;
    put_error(answer, status, error);
}

void answer_unchanged(struct answer *answer, const struct error *error)
{
    if (error->status == EXIT_IO)
        put_error(answer, MHD_HTTP_INSUFFICIENT_STORAGE, error);
    else if (error->status == EXIT_USAGE)
        put_error(answer, MHD_HTTP_CONFLICT, error);
    else
        answer_error(answer, error);
}
