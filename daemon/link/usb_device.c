/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/usb_device.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

static const char *system_root(void)
{
    const char *root = secure_getenv("WAKEDRAW_SYSTEM_ROOT");
    return root ? root : "";
}

/* The first line of a file of this directory; false: there is none. */
static bool read_line(const char *directory, const char *name, char *line, int size)
{
    char path[PATH_MAX];
    if (snprintf(path, sizeof path, "%s/%s", directory, name) >= (int)sizeof path)
        return false;
    FILE *file = fopen(path, "re");
    if (!file)
        return false;
    bool read = fgets(line, size, file) != NULL;
    fclose(file);
    if (read)
        line[strcspn(line, "\r\n")] = '\0';
    return read;
}

static int read_number(const char *directory, const char *name, int base)
{
    char line[32];
    if (!read_line(directory, name, line, sizeof line))
        return -1;
    char *end = NULL;
    long number = strtol(line, &end, base);
    return end == line || *end || number < 0 || number > 1000000 ? -1 : (int)number;
}

/* From an entry's "device" upwards. */
static struct usb_device device_above(const char *entry)
{
    struct usb_device device = {.vendor = -1, .product = -1, .interface = -1};
    char path[PATH_MAX];
    if (snprintf(path, sizeof path, "%s/device", entry) >= (int)sizeof path)
        return device;
    char *directory = realpath(path, NULL);
    while (directory && !device.known) {
        if (device.interface < 0)
            device.interface = read_number(directory, "bInterfaceNumber", 16);
        device.vendor = read_number(directory, "idVendor", 16);
        device.known = device.vendor >= 0;
        if (device.known) {
            device.product = read_number(directory, "idProduct", 16);
            read_line(directory, "serial", device.serial, sizeof device.serial);
        }
        char *slash = strrchr(directory, '/');
        if (!slash || slash == directory)
            break;
        *slash = '\0';
    }
    free(directory);
    return device;
}

static void entry_of(dev_t number, char path[PATH_MAX])
{
    snprintf(path, PATH_MAX, "%s/sys/dev/char/%u:%u", system_root(), major(number), minor(number));
}

struct usb_device usb_device_of(dev_t number)
{
    char entry[PATH_MAX];
    entry_of(number, entry);
    return device_above(entry);
}

bool usb_device_fits(const struct usb_device *device, const struct usb_device *wanted)
{
    return device->known && (wanted->vendor < 0 || device->vendor == wanted->vendor) &&
           (wanted->product < 0 || device->product == wanted->product) &&
           (wanted->interface < 0 || device->interface == wanted->interface) &&
           strcmp(device->serial, wanted->serial) == 0;
}

const char *usb_device_text(const struct usb_device *device, char *text, size_t size)
{
    if (!device->known)
        snprintf(text, size, "no USB device");
    else if (device->serial[0])
        snprintf(text, size, "USB device %04x:%04x number %s", (unsigned)device->vendor,
                 (unsigned)device->product, device->serial);
    else
        snprintf(text, size, "USB device %04x:%04x without a number", (unsigned)device->vendor,
                 (unsigned)device->product);
    return text;
}

static int not_hidden(const struct dirent *entry)
{
    return entry->d_name[0] != '.';
}

int usb_device_find(const char *class_name, const struct usb_device *wanted, char *path,
                    size_t size)
{
    char directory[PATH_MAX];
    snprintf(directory, sizeof directory, "%s/sys/class/%s", system_root(), class_name);
    struct dirent **entries = NULL;
    int count = scandir(directory, &entries, not_hidden, versionsort);
    int fitting = 0;
    for (int i = 0; i < count; i++) {
        char entry[PATH_MAX];
        if (snprintf(entry, sizeof entry, "%s/%s", directory, entries[i]->d_name) <
            (int)sizeof entry) {
            struct usb_device device = device_above(entry);
            if (usb_device_fits(&device, wanted) && fitting++ == 0)
                snprintf(path, size, "%s/dev/%s", system_root(), entries[i]->d_name);
        }
        free(entries[i]);
    }
    free(entries);
    return fitting;
}

int usb_device_latency_ms(dev_t number)
{
    char entry[PATH_MAX];
    entry_of(number, entry);
    return read_number(entry, "device/latency_timer", 10);
}
