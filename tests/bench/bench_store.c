/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How long the store's answers take, each on the disk when it is given: a
 * power-up begun, readings added, a verdict, the end. In DIR (first argument;
 * the temporary directory where there is none).
 */
#include "base/clock.h"
#include "store/store.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { POWER_UPS = 200, GROUP_READINGS = 20, KINDS = 4 };

static const char *const names[KINDS] = {"begin", "append", "verdict", "finish"};
static double took_s[KINDS][POWER_UPS];

static void make_group(int group, struct reading *readings)
{
    for (int i = 0; i < GROUP_READINGS; i++) {
        readings[i] = (struct reading){.time_s = group + 0.0487 * i,
                                       .voltage_V = 13.79 + 0.001 * (double)(random() % 4),
                                       .current_A = 0.402 + 0.001 * (double)(random() % 3),
                                       .valid = true,
                                       .output_on = FLAG_YES};
        reading_quantise(&readings[i]);
    }
}

static int live_one(struct store *store, int number, const json_t *verdict, struct error *error)
{
    const struct on_bench bench = {.module_type = "tank gauge", .unit = "TG-0042"};
    struct reading readings[GROUP_READINGS];
    int64_t id = 0;
    for (int kind = 0; kind < KINDS; kind++) {
        make_group(kind, readings);
        double began_s = clock_monotonic_s();
        int status = 0;
        if (kind == 0)
            status = store_begin_power_up(store, "left", clock_wall_us(), &bench, "scpi", readings,
                                          GROUP_READINGS, &id, error);
        else if (kind == 1)
            status = store_append_readings(store, id, false, readings, GROUP_READINGS, error);
        else if (kind == 2)
            status = store_set_verdict(store, id, verdict, 1, readings, GROUP_READINGS, error);
        else
            status = store_finish_power_up(store, id, STATE_COMPLETE, verdict, 1, NULL, readings,
                                           GROUP_READINGS, error);
        took_s[kind][number] = clock_monotonic_s() - began_s;
        if (status != 0)
            return -1;
    }
    return store_end_on_time(store, id, 4, "output off", error);
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a;
    double right = *(const double *)b;
    return (left > right) - (left < right);
}

static int run(const char *directory, struct error *error)
{
    struct store *store = store_open(directory, error);
    json_t *verdict = json_loads("{\"verdict\": \"good\", \"final\": true, \"decided_at_s\": 2.0,"
                                 " \"onset_s\": 0.5, \"reasons\": []}",
                                 0, NULL);
    int status = store && verdict ? 0 : -1;
    double began_s = clock_monotonic_s();
    for (int i = 0; i < POWER_UPS && status == 0; i++)
        status = live_one(store, i, verdict, error);
    double whole_s = clock_monotonic_s() - began_s;
    json_decref(verdict);
    store_close(store);
    if (status != 0)
        return -1;
    printf("%d power-ups, %.0f commits/s\n", POWER_UPS, (KINDS + 1) * POWER_UPS / whole_s);
    for (int kind = 0; kind < KINDS; kind++) {
        qsort(took_s[kind], POWER_UPS, sizeof(double), ascending);
        printf("  %-8s median %6.2f ms, 99th percentile %6.2f ms\n", names[kind],
               1e3 * took_s[kind][POWER_UPS / 2], 1e3 * took_s[kind][POWER_UPS * 99 / 100]);
    }
    return 0;
}

int main(int argc, char **argv)
{
    char directory[512];
    const char *parent = getenv("TMPDIR");
    snprintf(directory, sizeof directory, "%s/wakedraw-bench-XXXXXX",
             argc > 1 ? argv[1]
             : parent ? parent
                      : "/tmp");
    if (!mkdtemp(directory)) {
        perror(directory);
        return EXIT_IO;
    }
    struct error error = {0};
    int status = run(directory, &error);
    if (status != 0)
        error_print(&error);
    static const char *const left[] = {"wakedraw.db", "wakedraw.db-wal", "wakedraw.db-shm", "lock"};
    for (size_t i = 0; i < sizeof left / sizeof *left; i++) {
        char path[600];
        snprintf(path, sizeof path, "%s/%s", directory, left[i]);
        unlink(path);
    }
    rmdir(directory);
    return status == 0 ? 0 : EXIT_IO;
}
