/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which USB device is behind a device node, as the kernel tells it under /sys
 * (Linux, Documentation/ABI/stable/sysfs-bus-usb and testing/sysfs-class-tty):
 * the node's number leads to its entry, and from there upwards the interface has
 * bInterfaceNumber, the device idVendor, idProduct and serial. Serial numbers can
 * be absent, and doubled on cheap converters.
 *
 * WAKEDRAW_SYSTEM_ROOT, where set, stands in front of /sys and /dev: for tests with
 * a made-up tree, whose nodes are pseudo-terminals.
 */
#ifndef WAKEDRAW_LINK_USB_DEVICE_H
#define WAKEDRAW_LINK_USB_DEVICE_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

struct usb_device {
    bool known;          /* false: not on USB, and nothing below counts */
    int vendor, product; /* 0..65535; -1 as a wish: any */
    int interface;       /* 0..255; -1: not told, as a wish any */
    char serial[128];    /* empty: it has none */
};

/* Of the node with this number. */
struct usb_device usb_device_of(dev_t number);

/* Is it the one that was known? One without a serial number is taken for any of
 * its kind. */
bool usb_device_fits(const struct usb_device *device, const struct usb_device *wanted);

/* "0403:6001 number A1B2", for messages. */
const char *usb_device_text(const struct usb_device *device, char *text, size_t size);

/* Those of a class ("tty", "usbmisc") that fit, how many there are; the path of the
 * first node by name. */
int usb_device_find(const char *class_name, const struct usb_device *wanted, char *path,
                    size_t size);

/* How long the converter holds bytes back; -1: its driver does not say. */
int usb_device_latency_ms(dev_t number);

#endif
