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
/* Frames of USB come once a millisecond: no driver takes less. */
enum { SHORTEST_LATENCY_MS = 1 };

/* Asks a USB converter not to hold bytes back for its 16 ms, and reads back what
 * came of it; few kinds know. */
static enum link_latency ask_low_latency(int descriptor)
{
    struct serial_struct serial;
    bool asked = link_calls.control(descriptor, TIOCGSERIAL, &serial) == 0;
    if (asked) {
        serial.flags |= ASYNC_LOW_LATENCY;
        link_calls.control(descriptor, TIOCSSERIAL, &serial);
    }
    /* The driver's own timer, where it shows one, is what counts. */
    struct stat status;
    int timer_ms = fstat(descriptor, &status) == 0 ? usb_device_latency_ms(status.st_rdev) : -1;
    if (timer_ms >= 0)
        return timer_ms <= SHORTEST_LATENCY_MS ? LINK_LATENCY_ON : LINK_LATENCY_OFF;
    if (!asked || link_calls.control(descriptor, TIOCGSERIAL, &serial) != 0)
        return LINK_LATENCY_NOT_OFFERED;
    return serial.flags & ASYNC_LOW_LATENCY ? LINK_LATENCY_ON : LINK_LATENCY_OFF;
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
        return link_refuse(spec, strerror(errno), error);
    if (link_lock(link, spec, error) != 0)
        return -1;
    if (link_make_raw(link->descriptor) != 0)
        return link_refuse(spec, strerror(errno), error);
    note_line(link->descriptor, spec);
    link->latency = ask_low_latency(link->descriptor);
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

static int open_port(struct link *link, const struct link_spec *spec, const char *path,
                     struct error *error)
{
    struct sp_port *port = NULL;
    if (sp_get_port_by_name(path, &port) != SP_OK)
        return link_refuse(spec, "is not a serial port", error);
    if (sp_open(port, SP_MODE_READ_WRITE) != SP_OK) {
        const char *why = errno == EBUSY ? "is in use by another process" : strerror(errno);
        sp_free_port(port);
        return link_refuse(spec, why, error);
    }
    link->port = port;
    if (sp_get_port_handle(port, &link->descriptor) != SP_OK)
        return link_refuse(spec, "has no descriptor", error);
    fcntl(link->descriptor, F_SETFD, FD_CLOEXEC);
    if (link_lock(link, spec, error) != 0)
        return -1;
    /* Another program that knows no locks is refused by the kernel. */
    ioctl(link->descriptor, TIOCEXCL);
    if (set_up(port, spec) != 0)
        return link_refuse(spec, "cannot be set up with this baud, parity and stop", error);
    if (link_make_raw(link->descriptor) != 0)
        return link_refuse(spec, strerror(errno), error);
    link->latency = ask_low_latency(link->descriptor);
    return 0;
}

int link_open_serial(struct link *link, const struct link_spec *spec, struct error *error)
{
    struct stat status;
    if (stat(link->path, &status) != 0)
        return link_refuse(spec, strerror(errno), error);
    if (!S_ISCHR(status.st_mode))
        return link_refuse(spec, "is not a serial port", error);
    /* Of a made-up tree the name may lead on to a pseudo-terminal. */
    if (major(status.st_rdev) >= FIRST_PTY_MAJOR && major(status.st_rdev) <= LAST_PTY_MAJOR)
        return open_pseudo_terminal(link, spec, link->path, error);
    return open_port(link, spec, link->path, error);
}
