/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Modbus framing on the server's side, as pure functions over buffers: RTU
 * (address, PDU, CRC) and TCP (MBAP header, PDU). After "Modbus over Serial
 * Line" V1.02 and "Messaging on TCP/IP" V1.0b, from memory.
 */
#ifndef WAKEDRAW_SIMULATE_MODBUS_FRAME_H
#define WAKEDRAW_SIMULATE_MODBUS_FRAME_H

#include <stddef.h>
#include <stdint.h>

enum { MODBUS_LONGEST_PDU = 253, RTU_LONGEST_FRAME = 256, MBAP_HEADER = 7 };

/* CRC-16 of the serial line: start FFFF, reflected polynomial A001. */
uint16_t modbus_crc(const uint8_t *bytes, size_t count);

/* How many bytes the request at the start of `bytes` has, address and CRC
 * included; 0: not whole, or its CRC is wrong (a silence ends it). */
size_t rtu_request_length(const uint8_t *bytes, size_t count);

/* The PDU with address and CRC around it; the length. */
size_t rtu_frame(uint8_t address, const uint8_t *pdu, size_t pdu_length,
                 uint8_t frame[RTU_LONGEST_FRAME]);

/* How many bytes the request has, MBAP header included; 0: not whole. *skip:
 * the stream is out of step (another protocol or an impossible length); all of
 * it is to be thrown away. */
size_t mbap_request_length(const uint8_t *bytes, size_t count, size_t *skip);

/* The request's header with the reply's length, and the PDU; the length. */
size_t mbap_frame(const uint8_t request[MBAP_HEADER], const uint8_t *pdu, size_t pdu_length,
                  uint8_t frame[MBAP_HEADER + MODBUS_LONGEST_PDU]);

#endif
