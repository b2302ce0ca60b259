/*
 * fault - the ways in which reading a meter goes wrong, and their words.
 */
#ifndef FORETRIP_FAULT_H
#define FORETRIP_FAULT_H

#include <stddef.h>

enum fault {
    FAULT_NONE,
    FAULT_TIMEOUT,     /* not a byte */
    FAULT_SHORT,       /* began and broke off */
    FAULT_CRC,         /* serial: check sum wrong */
    FAULT_UNIT,        /* another unit answered */
    FAULT_FUNCTION,    /* an answer to another function */
    FAULT_TRANSACTION, /* TCP: a transaction that nobody began, or another protocol */
    FAULT_LENGTH,      /* more or fewer registers than asked for, lengths that disagree */
    FAULT_LATE,        /* the answer to a request that was given up */
    FAULT_STRAY,       /* bytes that nobody asked for */
    FAULT_EXCEPTION,   /* the meter refused, with a code */
    FAULT_CONNECTION,  /* no connection, closed by the other side, serial device gone */
    FAULT_FOREIGN,     /* answers, but is not the kind of meter it is taken for */
};
#define FAULT_COUNT 13

/* Exception codes of MODBUS Application Protocol V1.1b3, section 7, are 1..11. */
#define FAULT_EXCEPTIONS 12

/* Lower case, "no answer", "bad checksum"; static storage. */
const char *fault_name(enum fault f);
/* "illegal data address"; "undefined code" for what the specification does not define. */
const char *fault_exception_name(int code);
/* "no answer", "exception 2, illegal data address". Returns out. */
char *fault_describe(enum fault f, int exception, char *out, size_t capacity);

#endif
