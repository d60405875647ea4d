/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_frame.h"

#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <modbus.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>

/* What stands in front of a frame: over TCP number, protocol, length and unit. */
enum { TCP_HEADER = 7, CHECKSUM = 2 };
/* No unit has this address, no frame begins with three of it. */
enum { NEVER = 0xFF };
/* The library takes no time for "never". */
static const double SHORTEST_S = 0.0001;

struct modbus_frames {
    modbus_t *context;
    struct link *link;
    bool tcp;
    uint16_t number;
    int unit;
};

struct modbus_frames *modbus_frames_open(const struct link_spec *spec, struct link *link)
{
    /* The library waits with select(), which knows no descriptor above this. */
    struct modbus_frames *frames =
        link_descriptor(link) < FD_SETSIZE ? calloc(1, sizeof *frames) : NULL;
    if (!frames)
        return NULL;
    frames->link = link;
    frames->tcp = spec->kind == LINK_MODBUS_TCP;
    /* Opening, setting up and coming back after a failure stay the link's: the
     * library never sees its name or rate. */
    frames->context =
        frames->tcp ? modbus_new_tcp_pi("link", "502") : modbus_new_rtu("link", 9600, 'N', 8, 1);
    if (!frames->context || modbus_set_socket(frames->context, link_descriptor(link)) != 0 ||
        modbus_set_error_recovery(frames->context, MODBUS_ERROR_RECOVERY_NONE) != 0) {
        modbus_frames_close(frames);
        return NULL;
    }
    return frames;
}

void modbus_frames_close(struct modbus_frames *frames)
{
    if (!frames)
        return;
    modbus_free(frames->context);
    free(frames);
}

static void put_word(uint8_t *at, int word)
{
    at[0] = (uint8_t)(word >> 8);
    at[1] = (uint8_t)word;
}

static int get_word(const uint8_t *at)
{
    return at[0] << 8 | at[1];
}

int modbus_frames_send(struct modbus_frames *frames, uint16_t number, int unit, const uint8_t *pdu,
                       int length, double deadline_s)
{
    frames->number = number;
    frames->unit = unit;
    uint8_t frame[TCP_HEADER + MOST_PDU] = {0};
    uint8_t *told = frame + TCP_HEADER - 1;
    told[0] = (uint8_t)unit;
    memcpy(told + 1, pdu, (size_t)length);
    if (modbus_set_slave(frames->context, unit) != 0)
        return -1;
    if (!frames->tcp)
        return modbus_send_raw_request(frames->context, told, length + 1) > 0 ? 0 : -1;
    /* What is told to the library whole it sends with the number 0 each time, and an
     * older answer could not be known: the number is put on here. */
    put_word(frame, number);
    put_word(frame + 4, length + 1);
    return link_write(frames->link, frame, TCP_HEADER + (size_t)length, deadline_s);
}

static int set_timeouts(struct modbus_frames *frames, double wait_s, double pause_s)
{
    wait_s = fmax(wait_s, SHORTEST_S);
    pause_s = fmax(pause_s, SHORTEST_S);
    if (modbus_set_response_timeout(frames->context, (uint32_t)wait_s,
                                    (uint32_t)(fmod(wait_s, 1) * 1e6)) != 0)
        return -1;
    return modbus_set_byte_timeout(frames->context, (uint32_t)pause_s,
                                   (uint32_t)(fmod(pause_s, 1) * 1e6));
}

static enum modbus_came sort_failure(const struct modbus_frames *frames, int problem,
                                     const uint8_t *frame)
{
    /* Another process took the bytes away that were there to read: EAGAIN. */
    if (problem == EMBBADCRC || problem == EMBBADDATA || problem == EAGAIN)
        return MODBUS_CAME_GARBLED;
    if (problem != ETIMEDOUT)
        return MODBUS_CAME_GONE;
    /* The library does not say whether some of a frame had come by then. */
    if (frame[0] == NEVER && frame[1] == NEVER && frame[2] == NEVER)
        return MODBUS_CAME_NOTHING;
    bool ours = frames->tcp ? get_word(frame) == frames->number : frame[0] == frames->unit;
    return ours ? MODBUS_CAME_BEGINNING : MODBUS_CAME_GARBLED;
}

enum modbus_came modbus_frames_receive(struct modbus_frames *frames, double deadline_s,
                                       double pause_s, uint8_t pdu[MOST_PDU], int *length,
                                       int *unit)
{
    uint8_t frame[MODBUS_MAX_ADU_LENGTH];
    int start = frames->tcp ? TCP_HEADER : 1;
    int end = frames->tcp ? 0 : CHECKSUM;
    do {
        memset(frame, NEVER, sizeof frame);
        if (set_timeouts(frames, deadline_s - clock_monotonic_s(), pause_s) != 0)
            return MODBUS_CAME_GONE;
        int got = modbus_receive_confirmation(frames->context, frame);
        if (got < 0)
            return sort_failure(frames, errno, frame);
        /* The library reads as far as the function says: what the header says of
         * protocol and length it does not look at. */
        if (frames->tcp && (get_word(frame + 2) != 0 || get_word(frame + 4) != got - 6))
            return MODBUS_CAME_GARBLED;
        /* Nor at the number: an older question's answer is passed over. */
        if (frames->tcp && get_word(frame) != frames->number)
            continue;
        /* Over TCP it takes another unit's answer; on a line it gives that one the
         * length 0, and one that bears the address of all for the unit's. */
        if (frame[start - 1] != frames->unit) {
            *unit = frame[start - 1];
            return MODBUS_CAME_OTHER_UNIT;
        }
        /* It leaves what comes behind a frame. More than was asked for: which of it is
         * the answer is not known. */
        uint8_t more[MODBUS_MAX_ADU_LENGTH];
        if (link_read(frames->link, more, sizeof more, 0) > 0)
            return MODBUS_CAME_GARBLED;
        *length = got - start - end;
        memcpy(pdu, frame + start, (size_t)*length);
        return MODBUS_CAME_FRAME;
    } while (clock_monotonic_s() < deadline_s);
    return MODBUS_CAME_NOTHING;
}
