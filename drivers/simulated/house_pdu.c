#include "house_pdu.h"

#include <string.h>

#define RTU_READ_LENGTH 8 /* unit, function, address, quantity, CRC */

uint16_t pdu_crc(const uint8_t *bytes, size_t length)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1);
    }
    return crc;
}

size_t pdu_exception(uint8_t function, uint8_t code, uint8_t reply[PDU_MAX])
{
    reply[0] = function | 0x80;
    reply[1] = code;
    return 2;
}

size_t pdu_answer(pdu_read *read, void *context, const uint8_t *request, size_t length,
                  uint8_t reply[PDU_MAX])
{
    uint8_t function = request[0];
    if (function != 3 && function != 4)
        return pdu_exception(function, 1, reply);
    if (length != 5)
        return pdu_exception(function, 3, reply);
    int address = request[1] << 8 | request[2];
    int count = request[3] << 8 | request[4];
    uint16_t words[125];
    if (count < 1 || count > 125)
        return pdu_exception(function, 3, reply);
    if (!read(context, function, address, count, words))
        return pdu_exception(function, 2, reply);
    reply[0] = function;
    reply[1] = (uint8_t)(2 * count);
    for (int i = 0; i < count; i++) {
        reply[2 + 2 * i] = (uint8_t)(words[i] >> 8);
        reply[3 + 2 * i] = (uint8_t)words[i];
    }
    return 2 + 2 * (size_t)count;
}

enum pdu_parse pdu_parse_tcp(const uint8_t *bytes, size_t length, struct pdu_request *r)
{
    if (length < PDU_MBAP)
        return PDU_MORE;
    size_t follows = (size_t)(bytes[4] << 8 | bytes[5]);
    if (bytes[2] || bytes[3] || follows < 2 || follows > PDU_MAX + 1)
        return PDU_GARBAGE;
    if (length < 6 + follows)
        return PDU_MORE;
    *r = (struct pdu_request){
        .transaction = (uint16_t)(bytes[0] << 8 | bytes[1]),
        .unit = bytes[6],
        .pdu = bytes + PDU_MBAP,
        .pdu_length = follows - 1,
        .taken = 6 + follows,
    };
    return PDU_WHOLE;
}

static bool crc_right(const uint8_t *bytes, size_t length)
{
    uint16_t crc = pdu_crc(bytes, length - 2);
    return bytes[length - 2] == (crc & 0xFF) && bytes[length - 1] == crc >> 8;
}

enum pdu_parse pdu_parse_rtu(const uint8_t *bytes, size_t length, bool silence,
                             struct pdu_request *r)
{
    /* a read is known by its length and need not wait for the silence after it */
    size_t whole = 0;
    if (length >= RTU_READ_LENGTH && crc_right(bytes, RTU_READ_LENGTH))
        whole = RTU_READ_LENGTH;
    else if (silence && length >= 4 && crc_right(bytes, length))
        whole = length;
    if (whole == 0)
        return silence || length >= PDU_MAX_FRAME - 4 ? PDU_GARBAGE : PDU_MORE;
    *r = (struct pdu_request){
        .unit = bytes[0], .pdu = bytes + 1, .pdu_length = whole - 3, .taken = whole};
    return PDU_WHOLE;
}

size_t pdu_frame_tcp(uint16_t transaction, uint8_t unit, const uint8_t *pdu, size_t length,
                     uint8_t frame[PDU_MAX_FRAME])
{
    size_t follows = length + 1;
    const uint8_t mbap[PDU_MBAP] = {(uint8_t)(transaction >> 8), (uint8_t)transaction, 0,   0,
                                    (uint8_t)(follows >> 8),     (uint8_t)follows,     unit};
    memcpy(frame, mbap, PDU_MBAP);
    memcpy(frame + PDU_MBAP, pdu, length);
    return PDU_MBAP + length;
}

size_t pdu_frame_rtu(uint8_t unit, const uint8_t *pdu, size_t length,
                     uint8_t frame[PDU_MAX_FRAME])
{
    frame[0] = unit;
    memcpy(frame + 1, pdu, length);
    uint16_t crc = pdu_crc(frame, length + 1);
    frame[length + 1] = (uint8_t)crc;
    frame[length + 2] = (uint8_t)(crc >> 8);
    return length + 3;
}
