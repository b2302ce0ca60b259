/*
 * house_pdu - the Modbus server's half of the protocol, bytes in and bytes out, no I/O.
 *
 * Reads of holding and input registers (functions 3 and 4); everything else is exception 1.
 * Sources: MODBUS Application Protocol V1.1b3, 6.3, 6.4 and 7; MODBUS over Serial Line
 * V1.02, 2.5.1 (frame, CRC); MODBUS Messaging on TCP/IP V1.0b, 3.1.3 (MBAP).
 */
#ifndef FORETRIP_SIMULATED_HOUSE_PDU_H
#define FORETRIP_SIMULATED_HOUSE_PDU_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PDU_MAX 253
#define PDU_MAX_FRAME 260
#define PDU_MBAP 7

/* False: illegal data address. count 1..125. */
typedef bool pdu_read(void *context, int function, int address, int count, uint16_t *out);

/* Length of the answer in reply. request: function code and data, length >= 1. */
size_t pdu_answer(pdu_read *read, void *context, const uint8_t *request, size_t length,
                  uint8_t reply[PDU_MAX]);
size_t pdu_exception(uint8_t function, uint8_t code, uint8_t reply[PDU_MAX]);

/* A request taken off the front of what arrived. */
struct pdu_request {
    uint16_t transaction; /* TCP */
    uint8_t unit;
    const uint8_t *pdu; /* into the buffer */
    size_t pdu_length;
    size_t taken; /* bytes of the buffer it used */
};
enum pdu_parse { PDU_WHOLE, PDU_MORE, PDU_GARBAGE };

/* GARBAGE: the stream cannot be trusted any more, close it. */
enum pdu_parse pdu_parse_tcp(const uint8_t *bytes, size_t length, struct pdu_request *r);
/* bytes: what came until a silence. GARBAGE: drop them. */
enum pdu_parse pdu_parse_rtu(const uint8_t *bytes, size_t length, bool silence,
                             struct pdu_request *r);

/* Frames around a PDU; return the length. */
size_t pdu_frame_tcp(uint16_t transaction, uint8_t unit, const uint8_t *pdu, size_t length,
                     uint8_t frame[PDU_MAX_FRAME]);
size_t pdu_frame_rtu(uint8_t unit, const uint8_t *pdu, size_t length,
                     uint8_t frame[PDU_MAX_FRAME]);

uint16_t pdu_crc(const uint8_t *bytes, size_t length);

#endif
