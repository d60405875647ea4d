/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <linux/serial.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

/* Majors of the other ends of pseudo-terminals (Linux, Documentation/admin-guide/
 * devices.txt). */
enum { FIRST_PTY_MAJOR = 136, LAST_PTY_MAJOR = 143 };

static int refuse(const struct link_spec *spec, const char *why, struct error *error)
{
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: %s", spec->place, why);
}

/* A pseudo-terminal has no line, but its other end may ask for the rate. Parity
 * does not stick there: not minded. */
static void note_line(int descriptor, const struct link_spec *spec)
{
    struct termios modes;
    if (tcgetattr(descriptor, &modes) != 0)
        return;
    cfsetspeed(&modes, (speed_t)spec->baud);
    tcsetattr(descriptor, TCSANOW, &modes);
}

static int open_pseudo_terminal(struct link *link, const struct link_spec *spec, const char *path,
                                struct error *error)
{
    link->descriptor = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (link->descriptor < 0)
        return refuse(spec, strerror(errno), error);
    if (link_lock(link, spec, error) != 0)
        return -1;
    if (link_make_raw(link->descriptor) != 0)
        return refuse(spec, strerror(errno), error);
    note_line(link->descriptor, spec);
    return 0;
}

static int set_up(struct sp_port *port, const struct link_spec *spec)
{
    struct sp_port_config *config = NULL;
    if (sp_new_config(&config) != SP_OK)
        return -1;
    enum sp_parity parity = SP_PARITY_NONE;
    if (spec->parity != 'N')
        parity = spec->parity == 'E' ? SP_PARITY_EVEN : SP_PARITY_ODD;
    bool done =
        sp_set_config_baudrate(config, spec->baud) == SP_OK &&
        sp_set_config_bits(config, 8) == SP_OK && sp_set_config_parity(config, parity) == SP_OK &&
        sp_set_config_stopbits(config, spec->stop_bits) == SP_OK &&
        sp_set_config_flowcontrol(config, SP_FLOWCONTROL_NONE) == SP_OK &&
        sp_set_config_dtr(config, SP_DTR_ON) == SP_OK &&
        sp_set_config_rts(config, SP_RTS_ON) == SP_OK && sp_set_config(port, config) == SP_OK;
    sp_free_config(config);
    return done ? 0 : -1;
}

int link_set_line(struct link *link, const struct link_spec *spec)
{
    if (!link->port) {
        note_line(link->descriptor, spec);
        return 0;
    }
    return set_up(link->port, spec) == 0 ? link_make_raw(link->descriptor) : -1;
}

/* Asks a USB converter not to hold bytes back for its 16 ms; few kinds know. */
static void ask_low_latency(int descriptor)
{
    struct serial_struct serial;
    if (ioctl(descriptor, TIOCGSERIAL, &serial) != 0)
        return;
    serial.flags |= ASYNC_LOW_LATENCY;
    ioctl(descriptor, TIOCSSERIAL, &serial);
}

static int open_port(struct link *link, const struct link_spec *spec, const char *path,
                     struct error *error)
{
    struct sp_port *port = NULL;
    if (sp_get_port_by_name(path, &port) != SP_OK)
        return refuse(spec, "is not a serial port", error);
    if (sp_open(port, SP_MODE_READ_WRITE) != SP_OK) {
        const char *why = errno == EBUSY ? "is in use by another process" : strerror(errno);
        sp_free_port(port);
        return refuse(spec, why, error);
    }
    link->port = port;
    if (sp_get_port_handle(port, &link->descriptor) != SP_OK)
        return refuse(spec, "has no descriptor", error);
    fcntl(link->descriptor, F_SETFD, FD_CLOEXEC);
    if (link_lock(link, spec, error) != 0)
        return -1;
    /* Another program that knows no locks is refused by the kernel. */
    ioctl(link->descriptor, TIOCEXCL);
    if (set_up(port, spec) != 0)
        return refuse(spec, "cannot be set up with this baud, parity and stop", error);
    if (link_make_raw(link->descriptor) != 0)
        return refuse(spec, strerror(errno), error);
    ask_low_latency(link->descriptor);
    return 0;
}

int link_open_serial(struct link *link, const struct link_spec *spec, struct error *error)
{
    /* Resolved at each open: the name by-id or by-path stays, the device moves. */
    char *path = realpath(spec->place, NULL);
    struct stat status;
    if (!path || stat(path, &status) != 0) {
        free(path);
        return refuse(spec, strerror(errno), error);
    }
    int failed = -1;
    if (!S_ISCHR(status.st_mode))
        failed = refuse(spec, "is not a serial port", error);
    else if (major(status.st_rdev) >= FIRST_PTY_MAJOR && major(status.st_rdev) <= LAST_PTY_MAJOR)
        failed = open_pseudo_terminal(link, spec, path, error);
    else
        failed = open_port(link, spec, path, error);
    free(path);
    return failed;
}
