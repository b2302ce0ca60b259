#include "answer.h"

#define MBAP_SIZE 7
#define CRC_SIZE 2

static uint8_t *put16(uint8_t *p, uint16_t v)
{
    *p++ = (uint8_t)(v >> 8);
    *p++ = (uint8_t)v;
    return p;
}

static uint16_t get16(const uint8_t *p)
{
    return (uint16_t)(p[0] << 8 | p[1]);
}

size_t answer_encode_request(const struct answer_request *q, uint8_t out[ANSWER_REQUEST_SIZE])
{
    uint8_t *p = out;
    if (q->tcp) {
        p = put16(p, q->transaction);
        p = put16(p, 0); /* protocol */
        p = put16(p, 6); /* bytes that follow */
    }
    *p++ = q->unit;
    *p++ = q->function;
    p = put16(p, q->address);
    p = put16(p, q->count);
    return (size_t)(p - out);
}

size_t answer_expected_length(const struct answer_request *q)
{
    return (q->tcp ? MBAP_SIZE : 1U + CRC_SIZE) + 2U + 2U * q->count;
}

enum fault answer_judge(const struct answer_request *q, const uint8_t *bytes, size_t length,
                        uint16_t *registers, int *exception)
{
    size_t header = q->tcp ? MBAP_SIZE : 1, trailer = q->tcp ? 0 : CRC_SIZE;
    if (length < header + 2 + trailer)
        return FAULT_SHORT;
    /* first, because it tells whether the stream is still in step; MBAP counts the unit too */
    if (q->tcp && (size_t)get16(bytes + 4) + MBAP_SIZE - 1 != length)
        return FAULT_LENGTH;
    if (q->tcp && (get16(bytes) != q->transaction || get16(bytes + 2) != 0))
        return FAULT_TRANSACTION;
    if (bytes[header - 1] != q->unit)
        return FAULT_UNIT;
    const uint8_t *pdu = bytes + header;
    size_t pdu_length = length - header - trailer;
    if (pdu[0] == (q->function | 0x80U)) {
        if (pdu_length != 2)
            return FAULT_LENGTH;
        *exception = pdu[1];
        return FAULT_EXCEPTION;
    }
    if (pdu[0] != q->function)
        return FAULT_FUNCTION;
    if (pdu[1] != 2U * q->count || pdu_length != 2U + 2U * q->count)
        return FAULT_LENGTH;
    for (size_t i = 0; i < q->count; i++)
        registers[i] = get16(pdu + 2 + 2 * i);
    return FAULT_NONE;
}
