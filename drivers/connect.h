/*
 * connect - how the way to a bus is opened: a TCP connection, a serial line.
 *
 * Both give a libmodbus context with error recovery off (it would sleep and reconnect inside a
 * call), no byte timeout (so that the response timeout bounds the whole answer) and a
 * descriptor that does not block. On failure NULL, with a phrase in why: "connection refused".
 *
 * TCP     bounded by the deadline and the stop; TCP_NODELAY; keep-alive probes after 10 s, lost
 *         after 25 s. A name is looked up with one try of one second for each name server.
 * Serial  raw, without flow control, for this process alone; the adapter is asked for low
 *         latency, because a USB adapter that holds bytes back 16 ms costs a fifth of a 19200
 *         line and two fifths of a 115200 one (docs/method/modbus.md)
 */
#ifndef FORETRIP_CONNECT_H
#define FORETRIP_CONNECT_H

#include <modbus.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "model/site.h"

modbus_t *connect_tcp(const char *host, int port, int stop_fd, int64_t deadline_us, char *why,
                      size_t capacity);

modbus_t *connect_serial(const struct site_bus *b, char *why, size_t capacity);

/* A context around a connected descriptor (tests: one end of a socket pair); taken, also when
 * it fails. */
modbus_t *connect_adopt(const struct site_bus *b, int fd);

/* Milliseconds for which a USB adapter holds bytes back, -1 when that cannot be told. sys is
 * "/sys" (tests: another place). */
int connect_latency_ms(const char *sys, const char *device);

/* libmodbus silently takes 9600 for a speed it does not know. */
bool connect_baud_known(int baud);

/* Bits of a character on the line: start, eight data, parity, stop. */
int connect_character_bits(const struct site_bus *b);

#endif
