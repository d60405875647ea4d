/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"
#include "base/error.h"
#include "base/log.h"
#include "base/options.h"
#include "bench/bench.h"
#include "bench/config.h"
#include "commands/commands.h"
#include "http/server.h"
#include "store/store.h"

#include <errno.h>
#include <limits.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <systemd/sd-daemon.h>
#include <time.h>
#include <unistd.h>

/* The page's files: where the user says, beside the build, or installed. */
static int find_web(const char *given, char *path, size_t size, struct error *error)
{
    char executable[PATH_MAX] = "";
    ssize_t length = readlink("/proc/self/exe", executable, sizeof executable - 1);
    if (length > 0)
        executable[length] = '\0';
    char *slash = strrchr(executable, '/');
    if (slash)
        *slash = '\0';
    const char *environment = getenv("WAKEDRAW_WEB");
    const char *fixed = given ? given : environment;
    static const char *const beside[] = {"../web", "../share/wakedraw/web"};
    struct stat status;
    if (fixed) {
        snprintf(path, size, "%s", fixed);
        return stat(path, &status) == 0 && S_ISDIR(status.st_mode)
                   ? 0
                   : error_set(error, EXIT_NO_INPUT, fixed, 0, "the directory of the page's files",
                               "found none");
    }
    for (size_t i = 0; i < sizeof beside / sizeof *beside; i++) {
        char index[PATH_MAX + 64];
        snprintf(index, sizeof index, "%s/%s/index.html", executable, beside[i]);
        snprintf(path, size, "%s/%s", executable, beside[i]);
        if (stat(index, &status) == 0)
            return 0;
    }
    return error_set(error, EXIT_NO_INPUT, executable, 0, "--web DIRECTORY",
                     "the page's files are not beside the program");
}

struct daemon {
    struct config config;
    struct store *store;
    struct server *server;
    struct bench *bench;
};

static int bring_up(struct daemon *daemon, const char *web, struct error *error)
{
    daemon->server = server_create(&daemon->config, web, error);
    if (!daemon->server)
        return -1;
    daemon->store = store_open(daemon->config.data, error);
    if (!daemon->store)
        return -1;
    struct bench_listener listener = {server_happened, daemon->server, server_all_told};
    daemon->bench = bench_create(&daemon->config, daemon->store, &listener, error);
    if (!daemon->bench)
        return -1;
    if (server_start(daemon->server, daemon->bench, error) != 0)
        return -1;
    return bench_start(daemon->bench, error);
}

static void bring_down(struct daemon *daemon)
{
    if (daemon->bench)
        bench_stop(daemon->bench);
    if (daemon->server)
        server_stop(daemon->server);
    bench_destroy(daemon->bench);
    server_destroy(daemon->server);
    store_close(daemon->store);
    config_clear(&daemon->config);
}

/* Waits for a signal to end; feeds systemd's watchdog meanwhile. */
static void wait_for_end(const sigset_t *signals, struct bench *bench)
{
    uint64_t watchdog_us = 0;
    bool watched = sd_watchdog_enabled(0, &watchdog_us) > 0;
    uint64_t half_us = watched ? watchdog_us / 2 : 3600ULL * 1000000;
    struct timespec half = {.tv_sec = (time_t)(half_us / 1000000),
                            .tv_nsec = (long)(half_us % 1000000) * 1000};
    while (sigtimedwait(signals, NULL, &half) == -1) {
        /* A full disk is said on the page and mends itself; a chain that stands
         * still does not. */
        if (errno == EAGAIN && watched && bench_is_moving(bench))
            sd_notify(0, "WATCHDOG=1");
    }
}

static int serve(const char *config_path, const char *web_given)
{
    struct daemon daemon = {0};
    struct error error = {0};
    char web[PATH_MAX + 64] = "";
    /* Blocked before any thread starts, so that all inherit it and one wait
     * takes them. */
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGHUP);
    pthread_sigmask(SIG_BLOCK, &signals, NULL);
    /* A file at its size limit is a write that fails, as a full disk's. */
    signal(SIGXFSZ, SIG_IGN);
    int status = find_web(web_given, web, sizeof web, &error);
    if (status == 0)
        status = config_read(config_path, &daemon.config, &error);
    if (status == 0 && daemon.config.simulated_from_us)
        clock_set_wall(daemon.config.simulated_from_us);
    if (status == 0)
        status = bring_up(&daemon, web, &error);
    if (status == 0) {
        char address[128];
        snprintf(address, sizeof address, "%s", daemon.config.listen);
        char *colon = strrchr(address, ':');
        if (colon)
            *colon = '\0';
        printf("listening on %s://%s:%d/\n", daemon.config.tls_key[0] ? "https" : "http", address,
               server_port(daemon.server));
        fflush(stdout);
        sd_notify(0, "READY=1");
        wait_for_end(&signals, daemon.bench);
        sd_notify(0, "STOPPING=1");
        log_info("ending");
    } else {
        error_print(&error);
    }
    bring_down(&daemon);
    return status == 0 ? EXIT_OK : (int)error.status;
}

int command_serve(int argc, char **argv)
{
    const char *config_path = NULL;
    const char *web = NULL;
    const struct command_option options[] = {
        {"config", "FILE", OPTION_TEXT, &config_path, 0, 0, "the configuration (INI); needed"},
        {"web", "DIRECTORY", OPTION_TEXT, &web, 0, 0,
         "the page's files; else found beside the program"},
    };
    const struct command_usage usage = {
        .name = "serve",
        .arguments = "",
        .summary = "Watches the supplies, catches and judges every power-up, keeps it, serves the "
                   "page and the API.",
        .details =
            "The configuration has [bench] with name, data (a directory), listen\n"
            "(ADDRESS:PORT, 127.0.0.1:8460 if left out), access_code_file, tls_certificate,\n"
            "tls_key, simulated_from (the supplies are simulated, which the page and records\n"
            "say, and wall time begins there, as 2026-01-31T08:00:00Z); and one [supply NAME]\n"
            "an output with link, profile, output (1), control (off unless on: may wakedraw\n"
            "switch the output), rate_hz (as fast as the link allows), module_type (what is\n"
            "on it at start, if always the same).\n"
            "An address other than loopback needs an access code.\n"
            "Ends on SIGINT, SIGTERM or SIGHUP. A power-up that is open then is kept as\n"
            "incomplete.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 0,
        .most_arguments = 0,
    };
    int first = 0;
    switch (options_read(argc, argv, &usage, &first)) {
    case OPTIONS_READ:
        break;
    case OPTIONS_HELP_SHOWN:
        return EXIT_OK;
    case OPTIONS_WRONG:
        return EXIT_USAGE;
    }
    if (!config_path) {
        fputs("wakedraw serve: missing: --config FILE; see wakedraw serve --help\n", stderr);
        return EXIT_USAGE;
    }
    return serve(config_path, web);
}
