#include "fault.h"

#include <stdio.h>

const char *fault_name(enum fault f)
{
    switch (f) {
    case FAULT_NONE: return "no fault";
    case FAULT_TIMEOUT: return "timeout";
    case FAULT_SHORT: return "answer broke off";
    case FAULT_CRC: return "bad checksum";
    case FAULT_UNIT: return "another unit answered";
    case FAULT_FUNCTION: return "answer to another function";
    case FAULT_TRANSACTION: return "answer to another transaction";
    case FAULT_LENGTH: return "answer of the wrong length";
    case FAULT_LATE: return "answer too late";
    case FAULT_STRAY: return "bytes that nobody asked for";
    case FAULT_EXCEPTION: return "exception";
    case FAULT_CONNECTION: return "connection lost";
    case FAULT_FOREIGN: return "no SunSpec meter there";
    }
    return "?";
}

const char *fault_exception_name(int code)
{
    switch (code) {
    case 1: return "illegal function";
    case 2: return "illegal data address";
    case 3: return "illegal data value";
    case 4: return "server device failure";
    case 5: return "acknowledge";
    case 6: return "server device busy";
    case 8: return "memory parity error";
    case 10: return "gateway path unavailable";
    case 11: return "gateway target device failed to respond";
    default: return "undefined code";
    }
}

char *fault_describe(enum fault f, int exception, char *out, size_t capacity)
{
    if (f == FAULT_EXCEPTION)
        snprintf(out, capacity, "exception %d, %s", exception, fault_exception_name(exception));
    else
        snprintf(out, capacity, "%s", fault_name(f));
    return out;
}
