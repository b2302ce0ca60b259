/* What clients send to the simulated meters: no bytes may crash the server's half of the
 * protocol, a request that is taken is inside of what arrived, and its answer fits into a
 * frame. */
#include "drivers/simulated/house_pdu.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static bool some_registers(void *context, int function, int address, int count, uint16_t *out)
{
    (void)context;
    if (function != 3 || address + count > 1000)
        return false;
    memset(out, 0x5A, (size_t)count * sizeof out[0]);
    return true;
}

static void check(const struct pdu_request *q, const uint8_t *data, size_t size, bool tcp)
{
    uint8_t pdu[PDU_MAX], frame[PDU_MAX_FRAME];
    if (q->taken > size || q->pdu < data || q->pdu + q->pdu_length > data + q->taken ||
        q->pdu_length == 0)
        abort();
    size_t n = pdu_answer(some_registers, NULL, q->pdu, q->pdu_length, pdu);
    if (n < 2 || n > PDU_MAX)
        abort();
    n = tcp ? pdu_frame_tcp(q->transaction, q->unit, pdu, n, frame)
            : pdu_frame_rtu(q->unit, pdu, n, frame);
    if (n > PDU_MAX_FRAME)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct pdu_request q;
    if (size > 1024)
        return 0;
    /* as the server has it: a stream, of which requests are taken off the front */
    for (size_t at = 0; at < size && pdu_parse_tcp(data + at, size - at, &q) == PDU_WHOLE;
         at += q.taken)
        check(&q, data + at, size - at, true);
    for (int silence = 0; silence < 2; silence++)
        if (pdu_parse_rtu(data, size, silence, &q) == PDU_WHOLE)
            check(&q, data, size, false);
    return 0;
}
