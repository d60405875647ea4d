/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/trace_file.h"

#include "base/number.h"
#include "base/text_file.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum column {
    COLUMN_TIME,
    COLUMN_VOLTAGE,
    COLUMN_CURRENT,
    COLUMN_OUTPUT_ON,
    COLUMN_LIMITED,
    COLUMN_VALID,
    COLUMN_COUNT,
    COLUMN_OTHER = COLUMN_COUNT
};

static const char *const column_names[COLUMN_COUNT] = {"time_s",    "voltage_V", "current_A",
                                                       "output_on", "limited",   "valid"};

enum { MOST_COLUMNS = 64 };

struct parser {
    const char *path;
    struct error *error;
    char *text; /* the file, one 0 byte at its end */
    char *at;   /* where the next record begins */
    long line;  /* of the record being read */
    long next_line;
    size_t columns;
    enum column order[MOST_COLUMNS];
};

static int bad(struct parser *parser, const char *expected, const char *what, const char *cell)
{
    return error_set(parser->error, EXIT_BAD_DATA, parser->path, parser->line, expected,
                     cell ? "%s: found \"%.60s\"" : "%s", what, cell);
}

/* Takes one cell off the record, undoing RFC 4180's quotes in place. Returns 0
 * and in *last whether the record ends behind it. */
static int take_cell(struct parser *parser, char **cell, bool *last)
{
    char *from = parser->at;
    char *to = NULL;
    *cell = from;
    if (*from == '"') {
        from++;
        *cell = to = from;
        for (;; from++) {
            if (!*from)
                return bad(parser, "a closing quote", "found the file's end in a quoted cell",
                           NULL);
            if (*from == '"' && from[1] == '"')
                from++;
            else if (*from == '"')
                break;
            if (*from == '\n')
                parser->next_line++;
            *to++ = *from;
        }
        from++;
    } else {
        size_t length = strcspn(from, ",\r\n");
        from += length;
        to = from;
    }
    char *end = from;
    if (*end == '\r' && (end[1] == '\n' || !end[1]))
        end++;
    if (*end == ',') {
        *last = false;
        end++;
    } else if (*end == '\n') {
        *last = true;
        end++;
        parser->next_line++;
    } else if (!*end) {
        *last = true;
    } else {
        char behind[2] = {*end, '\0'};
        return bad(parser, "a comma or the line's end (LF or CRLF) behind a cell",
                   *end == '\r' ? "found a carriage return alone" : "behind a quoted cell",
                   *end == '\r' ? NULL : behind);
    }
    *to = '\0';
    parser->at = end;
    return 0;
}

static int read_header(struct parser *parser)
{
    bool last = false;
    bool seen[COLUMN_COUNT] = {false};
    while (!last) {
        char *cell = NULL;
        if (take_cell(parser, &cell, &last) != 0)
            return -1;
        if (parser->columns == MOST_COLUMNS)
            return bad(parser, "at most 64", "found more columns", NULL);
        char *name = cell + strspn(cell, " \t");
        for (size_t end = strlen(name); end > 0 && strchr(" \t", name[end - 1]); end--)
            name[end - 1] = '\0';
        enum column column = COLUMN_OTHER;
        for (int known = 0; known < COLUMN_COUNT; known++)
            if (strcmp(name, column_names[known]) == 0)
                column = (enum column)known;
        if (column != COLUMN_OTHER && seen[column])
            return bad(parser, "every column once", "found twice", name);
        if (column != COLUMN_OTHER)
            seen[column] = true;
        parser->order[parser->columns++] = column;
    }
    for (int needed = COLUMN_TIME; needed <= COLUMN_CURRENT; needed++) {
        if (!seen[needed])
            return bad(parser, "time_s, voltage_V and current_A",
                       "the first line does not name the columns; missing", column_names[needed]);
    }
    return 0;
}

static bool is_blank(const char *cell)
{
    return !cell[strspn(cell, " \t")];
}

static int read_number(struct parser *parser, enum column column, const char *cell,
                       struct reading *reading)
{
    double number = NAN;
    if (is_blank(cell))
        reading->valid = false;
    else if (!number_parse_whole(cell, &number) || !isfinite(number))
        return bad(parser, "a number with a decimal point, or an empty cell", column_names[column],
                   cell);
    if (column == COLUMN_TIME && isnan(number))
        return bad(parser, "a time in seconds", column_names[column], cell);
    if (fabs(number) > 1e9)
        return bad(parser, "a size below 1e9", column_names[column], cell);
    if (column == COLUMN_TIME)
        reading->time_s = number;
    else if (column == COLUMN_VOLTAGE)
        reading->voltage_V = number;
    else
        reading->current_A = number;
    return 0;
}

static int read_flag(struct parser *parser, enum column column, const char *cell,
                     struct reading *reading)
{
    enum known_flag flag = FLAG_UNKNOWN;
    if (!is_blank(cell)) {
        double number = 0;
        if (!number_parse_whole(cell, &number) || (number != 0 && number != 1))
            return bad(parser, "0 or 1", column_names[column], cell);
        flag = number == 1 ? FLAG_YES : FLAG_NO;
    }
    if (column == COLUMN_OUTPUT_ON)
        reading->output_on = flag;
    else if (column == COLUMN_LIMITED)
        reading->limited = flag;
    else if (flag != FLAG_YES)
        reading->valid = false;
    return 0;
}

static int check_cells(struct parser *parser, size_t cells)
{
    if (cells == parser->columns)
        return 0;
    char expected[64];
    snprintf(expected, sizeof expected, "%zu, as the first line names", parser->columns);
    char what[64];
    snprintf(what, sizeof what, "found %zu cells", cells);
    return bad(parser, expected, what, NULL);
}

static int read_record(struct parser *parser, struct reading *reading)
{
    *reading = (struct reading){.time_s = NAN,
                                .voltage_V = NAN,
                                .current_A = NAN,
                                .valid = true,
                                .output_on = FLAG_UNKNOWN,
                                .limited = FLAG_UNKNOWN};
    bool last = false;
    size_t cells = 0;
    while (!last) {
        char *cell = NULL;
        if (take_cell(parser, &cell, &last) != 0)
            return -1;
        enum column column = cells < parser->columns ? parser->order[cells] : COLUMN_OTHER;
        cells++;
        int status = 0;
        if (column <= COLUMN_CURRENT)
            status = read_number(parser, column, cell, reading);
        else if (column != COLUMN_OTHER)
            status = read_flag(parser, column, cell, reading);
        if (status != 0)
            return -1;
    }
    if (check_cells(parser, cells) != 0)
        return -1;
    reading_quantise(reading);
    return 0;
}

static int read_all(struct parser *parser, struct trace *trace)
{
    if (!*parser->at)
        return bad(parser, "a first line that names the columns", "found an empty file", NULL);
    if (read_header(parser) != 0)
        return -1;
    while (*parser->at) {
        parser->line = parser->next_line;
        /* A blank last line is no record. */
        if (!parser->at[strspn(parser->at, " \t\r\n")])
            break;
        if (parser->at[strspn(parser->at, " \t\r")] == '\n')
            return bad(parser, "a reading, as blank lines may only end the file",
                       "found a blank line", NULL);
        struct reading reading;
        if (read_record(parser, &reading) != 0)
            return -1;
        if (trace->count && reading.time_s <= trace->readings[trace->count - 1].time_s) {
            char what[120];
            snprintf(what, sizeof what, "found time_s %.6f after %.6f", reading.time_s,
                     trace->readings[trace->count - 1].time_s);
            return bad(parser, "times that strictly increase (by 1 us at least)", what, NULL);
        }
        if (!trace_append(trace, &reading))
            return error_set(parser->error, EXIT_SOFTWARE, parser->path, 0, NULL, "memory is out");
    }
    return 0;
}

int trace_file_read(const char *path, struct trace *trace, struct error *error)
{
    size_t length = 0;
    char *text = text_file_read(path, &length, error);
    if (!text)
        return -1;
    struct parser parser = {
        .path = path, .error = error, .text = text, .at = text, .line = 1, .next_line = 1};
    int status = 0;
    if (strlen(text) != length) {
        for (const char *at = text; *at; at++)
            parser.line += *at == '\n';
        status = bad(&parser, "text", "found a zero byte", NULL);
    }
    if (strncmp(text, "\xEF\xBB\xBF", 3) == 0)
        parser.at += 3;
    if (status == 0)
        status = read_all(&parser, trace);
    free(text);
    if (status != 0)
        trace_clear(trace);
    return status;
}

static const char *flag_text(enum known_flag flag)
{
    return flag == FLAG_UNKNOWN ? "" : flag == FLAG_YES ? "1" : "0";
}

int trace_file_write(FILE *stream, const struct reading *readings, size_t count)
{
    fputs("time_s,voltage_V,current_A,output_on,limited,valid\n", stream);
    for (size_t i = 0; i < count; i++) {
        const struct reading *r = &readings[i];
        char time[32];
        char voltage[32];
        char current[32];
        fprintf(stream, "%s,%s,%s,%s,%s,%s\n", number_print(r->time_s, time),
                number_print(r->voltage_V, voltage), number_print(r->current_A, current),
                flag_text(r->output_on), flag_text(r->limited), r->valid ? "1" : "0");
    }
    return ferror(stream) ? -1 : 0;
}
