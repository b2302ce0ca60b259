/*
 * answer - the bytes of a read request, and what came back judged by kind.
 *
 * Pure. libmodbus receives and checks the CRC, but reports four different faults of an answer
 * by one error number, does not look at the unit on TCP, and numbers every raw request on TCP
 * with transaction 0 (3.1.6). To count faults by kind, and to never take a late answer for the
 * next one, the bytes are judged here. Frames: MODBUS Application Protocol V1.1b3
 * section 6.3, 6.4; Messaging on TCP/IP V1.0b section 3 (MBAP header).
 */
#ifndef FORETRIP_ANSWER_H
#define FORETRIP_ANSWER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "fault.h"

#define ANSWER_REQUEST_SIZE 12 /* of a TCP request; without MBAP header and CRC, 6 */

struct answer_request {
    bool tcp;
    uint16_t transaction; /* TCP */
    uint8_t unit;
    uint8_t function; /* 3 or 4 */
    uint16_t address;
    uint16_t count; /* 1..125 */
};

/* Writes the request: MBAP and PDU on TCP, unit and PDU without its CRC (libmodbus appends it)
 * on a serial line. Returns how many bytes. */
size_t answer_encode_request(const struct answer_request *q, uint8_t out[ANSWER_REQUEST_SIZE]);

/* Bytes that a good answer takes, header and CRC included. */
size_t answer_expected_length(const struct answer_request *q);

/* Judges length bytes and, when they are the good answer, writes count registers. *exception
 * gets the code with FAULT_EXCEPTION. Nothing is written otherwise. On a serial line the CRC
 * has been checked by libmodbus unless the unit is another one. */
enum fault answer_judge(const struct answer_request *q, const uint8_t *bytes, size_t length,
                        uint16_t *registers, int *exception);

#endif
