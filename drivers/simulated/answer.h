/*
 * answer - the Modbus server's half of the protocol, bytes in and bytes out, no I/O.
 *
 * Reads of holding and input registers (functions 3 and 4); everything else is exception 1.
 * Sources: MODBUS Application Protocol V1.1b3, 6.3, 6.4 and 7; MODBUS over Serial Line
 * V1.02, 2.5.1 (frame, CRC); MODBUS Messaging on TCP/IP V1.0b, 3.1.3 (MBAP).
 */
#ifndef FORETRIP_SIMULATED_ANSWER_H
#define FORETRIP_SIMULATED_ANSWER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define ANSWER_MAX_PDU 253
#define ANSWER_MAX_FRAME 260
#define ANSWER_MBAP 7

/* False: illegal data address. count 1..125. */
typedef bool answer_read(void *context, int function, int address, int count, uint16_t *out);

/* Length of the answer in reply. request: function code and data, length >= 1. */
size_t answer_pdu(answer_read *read, void *context, const uint8_t *request, size_t length,
                  uint8_t reply[ANSWER_MAX_PDU]);
size_t answer_exception(uint8_t function, uint8_t code, uint8_t reply[ANSWER_MAX_PDU]);

/* A request taken off the front of what arrived. */
struct answer_request {
    uint16_t transaction; /* TCP */
    uint8_t unit;
    const uint8_t *pdu; /* into the buffer */
    size_t pdu_length;
    size_t taken; /* bytes of the buffer it used */
};
enum answer_parse { ANSWER_WHOLE, ANSWER_MORE, ANSWER_GARBAGE };

/* GARBAGE: the stream cannot be trusted any more, close it. */
enum answer_parse answer_parse_tcp(const uint8_t *bytes, size_t length,
                                   struct answer_request *r);
/* bytes: what came until a silence. GARBAGE: drop them. */
enum answer_parse answer_parse_rtu(const uint8_t *bytes, size_t length, bool silence,
                                   struct answer_request *r);

/* Frames around a PDU; return the length. */
size_t answer_frame_tcp(uint16_t transaction, uint8_t unit, const uint8_t *pdu, size_t length,
                        uint8_t frame[ANSWER_MAX_FRAME]);
size_t answer_frame_rtu(uint8_t unit, const uint8_t *pdu, size_t length,
                        uint8_t frame[ANSWER_MAX_FRAME]);

uint16_t answer_crc(const uint8_t *bytes, size_t length);

#endif
