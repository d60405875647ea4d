/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_scan.h"

#include "base/clock.h"
#include "supply/modbus_ask.h"
#include "supply/modbus_map.h"

#include <stdlib.h>
#include <string.h>

enum {
    MOST_BLOCKS = 2048,
    ATTEMPTS = 3,
    BUSY = 6,         /* the exception of a unit that is at something else */
    PAGE = 256,       /* maps begin at round addresses (common practice, no source) */
    PAGE_DEPTH = 128, /* looked at there */
    MOST_PAGES = 24,  /* a unit that answers at more has no holes: told nothing by it */
    SILENT_IN_A_ROW = 12,
};

static const double TIMEOUT_S = 0.5;
static const double LOOK_APART_S = 0.35;

struct block {
    int function, address, count;
};

struct register_scan {
    struct link *link;
    struct modbus_asker asker;
    int unit;
    int longest; /* registers in one read that the unit takes */
    struct block blocks[MOST_BLOCKS];
    int block_count;
    struct finder_register registers[FINDER_MOST_REGISTERS];
    size_t count;
    int silent; /* single registers in a row */
    register_scan_progress *progress;
    void *context;
    size_t done, of;
    bool ended; /* progress gave up */
    bool answered;
};

struct register_scan *register_scan_open(const struct link_spec *spec, struct error *error)
{
    struct register_scan *scan = calloc(1, sizeof *scan);
    if (!scan) {
        error_set(error, EXIT_SOFTWARE, spec->text, 0, NULL, "memory is out");
        return NULL;
    }
    scan->link = link_open(spec, 2, error);
    if (!scan->link) {
        free(scan);
        return NULL;
    }
    scan->asker = (struct modbus_asker){.link = scan->link, .spec = *spec, .timeout_s = TIMEOUT_S};
    scan->unit = spec->address;
    scan->longest = MOST_REGISTERS;
    return scan;
}

void register_scan_close(struct register_scan *scan)
{
    if (!scan)
        return;
    link_close(scan->link);
    free(scan);
}

const struct finder_register *register_scan_registers(const struct register_scan *scan)
{
    return scan->registers;
}

uint64_t register_scan_requests(const struct register_scan *scan)
{
    return scan->asker.requests;
}

/* Asks until there is an answer that counts. After silence or noise a late answer
 * would be taken for the next one's: it is waited out. */
static enum modbus_answer ask(struct register_scan *scan, const struct block *block,
                              uint16_t *words)
{
    enum modbus_answer answer = MODBUS_ANSWER_SILENCE;
    for (int attempt = 0; attempt < ATTEMPTS; attempt++) {
        int code = 0;
        answer = modbus_ask(&scan->asker, scan->unit, block->function, block->address, block->count,
                            words, &code);
        bool busy = answer == MODBUS_ANSWER_EXCEPTION && code == BUSY;
        if (answer == MODBUS_ANSWER_WORDS || answer == MODBUS_ANSWER_EXCEPTION)
            scan->answered = true;
        if (answer == MODBUS_ANSWER_GONE || answer == MODBUS_ANSWER_WORDS ||
            (answer == MODBUS_ANSWER_EXCEPTION && !busy))
            break;
        clock_sleep_until(clock_monotonic_s() + (busy ? 0.1 : scan->asker.timeout_s));
        if (answer == MODBUS_ANSWER_SILENCE && attempt == 1)
            break;
    }
    return answer;
}

static int gone(const struct register_scan *scan, struct error *error)
{
    return error_set(error, EXIT_UNAVAILABLE, scan->asker.spec.text, 0, NULL, "the link closed");
}

static int keep(struct register_scan *scan, const struct block *block, struct error *error)
{
    if (scan->block_count == MOST_BLOCKS ||
        scan->count + (size_t)block->count > FINDER_MOST_REGISTERS)
        return error_set(error, EXIT_UNAVAILABLE, scan->asker.spec.text, 0,
                         "a narrower range of addresses", "more than %d registers",
                         FINDER_MOST_REGISTERS);
    scan->blocks[scan->block_count++] = *block;
    for (int i = 0; i < block->count; i++)
        scan->registers[scan->count++] =
            (struct finder_register){block->function, block->address + i};
    return 0;
}

static void tell(struct register_scan *scan, int through)
{
    scan->done += (size_t)through;
    if (scan->progress && !scan->progress(scan->context, scan->done, scan->of, scan->count))
        scan->ended = true;
}

/* Halves what the unit does not answer as a whole. */
static int look_at(struct register_scan *scan, struct block block, struct error *error)
{
    uint16_t words[MOST_REGISTERS];
    if (scan->ended)
        return 0;
    if (scan->silent >= SILENT_IN_A_ROW) {
        tell(scan, block.count);
        return 0;
    }
    enum modbus_answer answer = ask(scan, &block, words);
    if (answer == MODBUS_ANSWER_GONE)
        return gone(scan, error);
    if (answer == MODBUS_ANSWER_WORDS) {
        scan->silent = 0;
        tell(scan, block.count);
        return keep(scan, &block, error);
    }
    if (block.count == 1) {
        scan->silent = answer == MODBUS_ANSWER_EXCEPTION ? 0 : scan->silent + 1;
        tell(scan, 1);
        return 0;
    }
    int half = block.count / 2;
    size_t before = scan->count;
    struct block first = {block.function, block.address, half};
    struct block second = {block.function, block.address + half, block.count - half};
    if (look_at(scan, first, error) != 0 || look_at(scan, second, error) != 0)
        return -1;
    /* All of it is there, but not at once. */
    if (scan->count == before + (size_t)block.count && block.count <= scan->longest)
        scan->longest = second.count;
    return 0;
}

static int look_over(struct register_scan *scan, int function, int from, int to,
                     struct error *error)
{
    for (int at = from; at <= to && !scan->ended;) {
        int count = to - at + 1 < scan->longest ? to - at + 1 : scan->longest;
        scan->silent = 0;
        if (look_at(scan, (struct block){function, at, count}, error) != 0)
            return -1;
        at += count;
        if (!scan->answered && scan->asker.requests >= 4)
            return error_set(error, EXIT_UNAVAILABLE, scan->asker.spec.text, 0, NULL,
                             "unit %d does not answer", scan->unit);
    }
    return 0;
}

/* Does anything begin there? -1: the link is gone. */
static int page_answers(struct register_scan *scan, int function, int page, bool *silent)
{
    static const int places[] = {0, 1, 2, 16};
    *silent = false;
    for (size_t i = 0; i < sizeof places / sizeof *places && !*silent; i++) {
        uint16_t word = 0;
        struct block block = {function, page + places[i], 1};
        enum modbus_answer answer = ask(scan, &block, &word);
        if (answer == MODBUS_ANSWER_GONE)
            return -1;
        if (answer == MODBUS_ANSWER_WORDS)
            return 1;
        *silent = answer == MODBUS_ANSWER_SILENCE;
    }
    return 0;
}

static int find_pages(struct register_scan *scan, int function, int from, int to,
                      bool pages[65536 / PAGE], struct error *error)
{
    int silent_pages = 0;
    for (int at = 0; at < 65536 && !scan->ended; at += PAGE) {
        bool silent = false;
        bool known = at + PAGE_DEPTH > from && at <= to;
        /* A unit that keeps silent where nothing is would take for ever. */
        bool looked_at = !known && !pages[at / PAGE] && silent_pages <= 4;
        int answers = looked_at ? page_answers(scan, function, at, &silent) : 0;
        if (answers < 0)
            return gone(scan, error);
        silent_pages += silent;
        pages[at / PAGE] = pages[at / PAGE] || answers;
        tell(scan, 1);
    }
    return 0;
}

/* Where one function has registers, the other may have some, too. */
static int look_at_pages(struct register_scan *scan, int from, int to, struct error *error)
{
    bool pages[65536 / PAGE] = {false};
    int count = 0;
    for (int function = 3; function <= 4; function++)
        if (find_pages(scan, function, from, to, pages, error) != 0)
            return -1;
    for (int i = 0; i < 65536 / PAGE; i++)
        count += pages[i];
    for (int i = 0; i < 65536 / PAGE && count <= MOST_PAGES; i++)
        for (int function = 3; pages[i] && function <= 4; function++)
            if (look_over(scan, function, i * PAGE, i * PAGE + PAGE_DEPTH - 1, error) != 0)
                return -1;
    return 0;
}

static int by_place(const void *a, const void *b)
{
    const struct block *first = a;
    const struct block *second = b;
    if (first->function != second->function)
        return first->function - second->function;
    return first->address - second->address;
}

static void put_in_order(struct register_scan *scan)
{
    qsort(scan->blocks, (size_t)scan->block_count, sizeof *scan->blocks, by_place);
    scan->count = 0;
    for (int i = 0; i < scan->block_count; i++)
        for (int j = 0; j < scan->blocks[i].count; j++)
            scan->registers[scan->count++] =
                (struct finder_register){scan->blocks[i].function, scan->blocks[i].address + j};
}

int register_scan_find(struct register_scan *scan, int from, int to,
                       register_scan_progress *progress, void *context, struct error *error)
{
    scan->progress = progress;
    scan->context = context;
    scan->of = 2 * ((size_t)(to - from + 1) + 65536 / PAGE);
    for (int function = 3; function <= 4; function++)
        if (look_over(scan, function, from, to, error) != 0)
            return -1;
    if (look_at_pages(scan, from, to, error) != 0)
        return -1;
    if (scan->ended) {
        memset(error, 0, sizeof *error);
        return -1;
    }
    put_in_order(scan);
    if (scan->count == 0)
        return error_set(error, EXIT_UNAVAILABLE, scan->asker.spec.text, 0,
                         "another range of addresses", "no register answers from %d to %d", from,
                         to);
    return (int)scan->count;
}

int register_scan_read(struct register_scan *scan, uint16_t *words, struct error *error)
{
    for (int look = 0; look < FINDER_LOOKS; look++) {
        double begun_s = clock_monotonic_s();
        size_t at = (size_t)look * scan->count;
        for (int i = 0; i < scan->block_count; i++) {
            const struct block *block = &scan->blocks[i];
            enum modbus_answer answer = ask(scan, block, words + at);
            if (answer == MODBUS_ANSWER_GONE)
                return gone(scan, error);
            if (answer != MODBUS_ANSWER_WORDS)
                return error_set(error, EXIT_UNAVAILABLE, scan->asker.spec.text, 0, NULL,
                                 "registers %d to %d by function %d, read before, do not answer "
                                 "now",
                                 block->address, block->address + block->count - 1,
                                 block->function);
            at += (size_t)block->count;
        }
        if (look + 1 < FINDER_LOOKS)
            clock_sleep_until(begun_s + LOOK_APART_S);
    }
    return 0;
}
