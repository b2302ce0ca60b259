/*
 * fake_meter - a meter with bad manners, on request: a Modbus server of the tests' own, without
 * libmodbus, on a free TCP port or at the far end of a pseudo-terminal.
 *
 * Register a of unit u holds fake_register(u, a). Each request plays the next act of the
 * script; when the script is at its end, or the unit is not the script's, answers are good.
 *
 * Threads    its own unless it is run by hand; all functions are safe from the test's thread
 */
#ifndef FORETRIP_TEST_FAKE_METER_H
#define FORETRIP_TEST_FAKE_METER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum fake_act {
    FAKE_GOOD,
    FAKE_SILENT,
    FAKE_LATE,      /* good, but `late_ms` after the request */
    FAKE_WITH_NEXT, /* good, but sent just before the answer to the next request */
    FAKE_WRONG_UNIT,
    FAKE_WRONG_FUNCTION,
    FAKE_WRONG_TRANSACTION,
    FAKE_WRONG_PROTOCOL,
    FAKE_SPLIT,        /* the first half; the rest just before the answer to the next request */
    FAKE_SHORT,        /* the first half, then nothing */
    FAKE_EXTRA,        /* good, with three bytes more behind it */
    FAKE_WRONG_COUNT,  /* one register less than asked for, well-formed */
    FAKE_WRONG_LENGTH, /* TCP: an MBAP length that disagrees */
    FAKE_BAD_CRC,      /* serial */
    FAKE_CLOSE,        /* closes the connection instead of an answer */
    FAKE_EXCEPTION,    /* + code: FAKE_EXCEPTION + 2 is exception 2 */
};

struct fake_meter;

/* On a free port, or again on one that was free (port 0: any). */
struct fake_meter *fake_meter_tcp_at(int port);
struct fake_meter *fake_meter_tcp(void);
struct fake_meter *fake_meter_serial(void);
/* Without a thread, in held time (held_time.h), to which it attaches itself: connections reach
 * it whatever their address. */
struct fake_meter *fake_meter_by_hand(bool tcp);
void fake_meter_stop(struct fake_meter *f);

int fake_meter_port(const struct fake_meter *f);
const char *fake_meter_device(const struct fake_meter *f);

/* The acts for the next count requests to the unit (-1: any). */
void fake_meter_script(struct fake_meter *f, int unit, const int *acts, size_t count);
void fake_meter_late_ms(struct fake_meter *f, int ms);
/* Requests to the unit get no answer as long as it is set. */
void fake_meter_silence(struct fake_meter *f, int unit, bool silent);
/* Refuses (exception 2) reads that touch this register; -1 none. */
void fake_meter_hole(struct fake_meter *f, int address);

/* What the unit holds from this address on, instead of fake_register; words are borrowed. A
 * second call replaces the first; count 0 takes it away. */
void fake_meter_hold(struct fake_meter *f, int unit, int address, const uint16_t *words,
                     int count);

/* One meter that answers in the name of every unit, as many on the network do. */
void fake_meter_any_unit(struct fake_meter *f);

/* Writes noise all the time, a millisecond apart, and spoils the answers that it meets. */
void fake_meter_babble(struct fake_meter *f, bool on);

uint64_t fake_meter_requests(struct fake_meter *f);
/* The latest request as it came on the wire; returns its length. */
size_t fake_meter_last_request(struct fake_meter *f, uint8_t out[16]);

static inline uint16_t fake_register(int unit, int address)
{
    return (uint16_t)(unit * 1000 + address);
}

/* Own, bitwise CRC-16/MODBUS (reflected polynomial 0xA001, initial 0xFFFF). */
uint16_t fake_crc(const uint8_t *bytes, size_t length);

#endif
