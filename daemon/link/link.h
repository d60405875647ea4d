/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How bytes reach a supply: a serial port (or pseudo-terminal), a TCP socket, a
 * USBTMC device. Modbus brings its own way (supply/modbus.c), and shares the
 * specification's text form.
 *
 *   serial:/dev/ttyUSB0?baud=115200&parity=none&stop=1
 *   tcp:127.0.0.1:5025                      usbtmc:/dev/usbtmc0
 *   modbus-rtu:/dev/ttyUSB0?baud=9600&parity=none&stop=1&address=1
 *   modbus-tcp:127.0.0.1:502?address=1      modbus-rtu-tcp:HOST:PORT?address=1
 *
 * Instead of a device's path, usb-serial=NUMBER: the port of the USB device with
 * that serial number, whatever its name is today, as in
 * serial:usb-serial=NUMBER?baud=9600 or usbtmc:usb-serial=NUMBER; of a device with
 * several ports, interface=N among the keys says which.
 */
#ifndef WAKEDRAW_LINK_LINK_H
#define WAKEDRAW_LINK_LINK_H

#include "base/error.h"
#include "link/usb_device.h"

#include <stdbool.h>
#include <stddef.h>

enum link_kind {
    LINK_SERIAL,
    LINK_TCP,
    LINK_USBTMC,
    LINK_MODBUS_RTU,
    LINK_MODBUS_TCP,
    LINK_MODBUS_RTU_TCP,
};

struct link_spec {
    enum link_kind kind;
    char text[300];       /* as given, for messages */
    char place[200];      /* device path, or host */
    char usb_serial[128]; /* instead of a path; empty: not asked for */
    int usb_interface;    /* 0..255; -1: not said */
    int port;             /* TCP */
    int baud;             /* 300..921600; default 115200 for serial, 9600 for modbus-rtu */
    char parity;          /* 'N', 'E', 'O' */
    int stop_bits;        /* 1 or 2 */
    int address;          /* Modbus unit, 1..247; default 1 */
    /* Stands in the text, not left to its default. */
    bool baud_given, parity_given, stop_given, address_given, interface_given;
};

/* Reads the text form; -1 with what and where filled (unknown kind, unknown or
 * doubled key, a value out of range, a port or path missing). */
int link_parse(const char *text, struct link_spec *spec, struct error *error);

struct link;

/* Opens any kind; the modbus kinds give the serial port or socket that their
 * frames travel on. Real serial ports are found, opened and set up
 * by libserialport; a pseudo-terminal, which it refuses, is opened plainly; all
 * are read and written through the same descriptor code. Exclusive (a port in
 * use is an error), close-on-exec. Waits at most timeout_s. NULL with the error
 * filled (EXIT_UNAVAILABLE). */
struct link *link_open(const struct link_spec *spec, double timeout_s, struct error *error);

/* What was behind the link when it was last open. */
struct link_known {
    struct usb_device usb;
    bool no_other; /* where the name is another device's now, that one is refused */
};

/* The same, once more: where the USB device has got another name it is found by its
 * serial number. */
struct link *link_open_again(const struct link_spec *spec, const struct link_known *known,
                             double timeout_s, struct error *error);
void link_close(struct link *link);

/* The rates that a port may be set to, from the lowest; how many there are. */
const int *link_baud_rates(size_t *count);

/* Another rate, parity and stop on an open serial port or pseudo-terminal, without
 * opening it again. -1: the port does not take them. */
int link_set_line(struct link *link, const struct link_spec *spec);

/* Writes all bytes by the monotonic deadline. 0, or -1: the link is gone or
 * stuck. */
int link_write(struct link *link, const void *bytes, size_t count, double deadline_s);

/* Reads what is there, 1..count bytes; waits for the first one until the
 * deadline. 0: nothing came; -1: the link is gone. */
long link_read(struct link *link, void *bytes, size_t count, double deadline_s);

/* Throws away what has come in unread. -1: the link is gone. */
int link_drain(struct link *link);

/* Nothing is read: has the other end gone (unplugged, closed)? */
bool link_is_gone(const struct link *link);

/* Which USB device it leads to; not known for a socket, or a port on no USB. */
const struct usb_device *link_usb_device(const struct link *link);

/* The path of the device that is open; empty for a socket. */
const char *link_device_path(const struct link *link);

/* Does a USB converter pass on bytes as they come, or hold them back for some
 * milliseconds? Asked for at each open, then read back from the driver. */
enum link_latency {
    LINK_LATENCY_NONE, /* not a serial port */
    LINK_LATENCY_NOT_OFFERED,
    LINK_LATENCY_OFF,
    LINK_LATENCY_ON,
};
enum link_latency link_low_latency(const struct link *link);

/* "on", "off", "not offered"; empty where there is no serial port. */
const char *link_latency_word(enum link_latency latency);

/* The descriptor, for a library that reads and writes by itself. */
int link_descriptor(const struct link *link);

/* Seconds that one character takes on the line; 0 where there is no line. */
double link_character_s(const struct link_spec *spec);

#endif
