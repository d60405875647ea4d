/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char *class_of(const struct link_spec *spec)
{
    return spec->kind == LINK_USBTMC ? "usbmisc" : "tty";
}

static const char *noun_of(const struct link_spec *spec)
{
    return spec->kind == LINK_USBTMC ? "USBTMC device" : "serial port";
}

static int find_by_number(const struct link_spec *spec, char *path, size_t size,
                          struct error *error)
{
    struct usb_device wanted = {
        .known = true, .vendor = -1, .product = -1, .interface = spec->usb_interface};
    snprintf(wanted.serial, sizeof wanted.serial, "%s", spec->usb_serial);
    int fitting = usb_device_find(class_of(spec), &wanted, path, size);
    if (fitting == 1)
        return 0;
    if (fitting == 0)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL,
                         "no %s with USB serial number %s is plugged in", noun_of(spec),
                         spec->usb_serial);
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0,
                     "interface=N beside the number, or a path under /dev/serial/by-path",
                     "%d %ss have USB serial number %s", fitting, noun_of(spec), spec->usb_serial);
}

/* Another device has taken the name, and ours is not plugged in. */
static int refuse_other(const struct link_spec *spec, const struct usb_device *device,
                        const struct usb_device *known, struct error *error)
{
    char is[200];
    char was[200];
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0,
                     "the same as before: plug it in, or start wakedraw again",
                     "%s is now %s; the supply was on %s", spec->place,
                     usb_device_text(device, is, sizeof is),
                     usb_device_text(known, was, sizeof was));
}

int link_find_place(const struct link_spec *spec, const struct link_known *known, char *path,
                    size_t size, struct error *error)
{
    if (spec->usb_serial[0])
        return find_by_number(spec, path, size, error);
    /* Resolved at each open: the name by-id or by-path stays, the device moves. */
    struct stat status = {0};
    char *place = realpath(spec->place, NULL);
    int problem = place && stat(place, &status) == 0 ? 0 : errno;
    snprintf(path, size, "%s", place ? place : "");
    free(place);
    if (!known || !known->usb.known)
        return problem == 0 ? 0 : link_refuse(spec, strerror(problem), error);
    struct usb_device device = {.known = false};
    if (problem == 0) {
        device = usb_device_of(status.st_rdev);
        if (usb_device_fits(&device, &known->usb))
            return 0;
    }
    /* Its name is gone or another's: plugged in again, it may have got a new one. */
    char elsewhere[PATH_MAX] = "";
    if (known->usb.serial[0] &&
        usb_device_find(class_of(spec), &known->usb, elsewhere, sizeof elsewhere) == 1) {
        snprintf(path, size, "%s", elsewhere);
        return 0;
    }
    if (problem != 0)
        return link_refuse(spec, strerror(problem), error);
    return known->no_other ? refuse_other(spec, &device, &known->usb, error) : 0;
}
