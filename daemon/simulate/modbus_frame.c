/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/modbus_frame.h"

#include <string.h>

uint16_t modbus_crc(const uint8_t *bytes, size_t count)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 1 ? (crc >> 1) ^ 0xA001 : crc >> 1);
    }
    return crc;
}

static int crc_is_right(const uint8_t *bytes, size_t length)
{
    uint16_t crc = modbus_crc(bytes, length - 2);
    return bytes[length - 2] == (crc & 0xFF) && bytes[length - 1] == crc >> 8;
}

/* The length that the function code tells; 0: the function is not known or the
 * byte that counts is not there yet. */
static size_t told_length(const uint8_t *bytes, size_t count)
{
    if (count < 2)
        return 0;
    switch (bytes[1]) {
    case 1:
    case 2:
    case 3:
    case 4:
    case 5:
    case 6:
        return 8;
    case 15:
    case 16:
        return count > 6 ? 9U + bytes[6] : 0;
    case 22:
        return 10;
    case 23:
        return count > 10 ? 13U + bytes[10] : 0;
    default:
        return 0;
    }
}

size_t rtu_request_length(const uint8_t *bytes, size_t count)
{
    size_t told = told_length(bytes, count);
    if (told > 0)
        return told <= count && told <= RTU_LONGEST_FRAME && crc_is_right(bytes, told) ? told : 0;
    /* A function that is not known still deserves its exception: its end is
     * where the CRC is right. */
    for (size_t length = 4; length <= count && length <= RTU_LONGEST_FRAME; length++)
        if (crc_is_right(bytes, length))
            return length;
    return 0;
}

size_t rtu_frame(uint8_t address, const uint8_t *pdu, size_t pdu_length,
                 uint8_t frame[RTU_LONGEST_FRAME])
{
    frame[0] = address;
    memcpy(frame + 1, pdu, pdu_length);
    uint16_t crc = modbus_crc(frame, pdu_length + 1);
    frame[pdu_length + 1] = (uint8_t)(crc & 0xFF);
    frame[pdu_length + 2] = (uint8_t)(crc >> 8);
    return pdu_length + 3;
}

size_t mbap_request_length(const uint8_t *bytes, size_t count, size_t *skip)
{
    *skip = 0;
    if (count < 6)
        return 0;
    size_t told = (size_t)bytes[4] << 8 | bytes[5];
    if (bytes[2] != 0 || bytes[3] != 0 || told < 2 || told > 1 + MODBUS_LONGEST_PDU) {
        *skip = count;
        return 0;
    }
    return count >= 6 + told ? 6 + told : 0;
}

size_t mbap_frame(const uint8_t request[MBAP_HEADER], const uint8_t *pdu, size_t pdu_length,
                  uint8_t frame[MBAP_HEADER + MODBUS_LONGEST_PDU])
{
    memcpy(frame, request, MBAP_HEADER);
    frame[4] = (uint8_t)((pdu_length + 1) >> 8);
    frame[5] = (uint8_t)((pdu_length + 1) & 0xFF);
    memcpy(frame + MBAP_HEADER, pdu, pdu_length);
    return MBAP_HEADER + pdu_length;
}
