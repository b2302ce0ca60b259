/*
 * tls - MODBUS/TCP Security: the frames of Modbus/TCP inside TLS, port 802.
 *
 * MODBUS/TCP Security Protocol Specification (MB-TCP-Security-v21): TLS 1.2 or newer, both
 * sides with certificates. The meter's is checked against the authority in `ca` and the name
 * that the bus was given (or `name`); ours goes out when it was configured. OpenSSL does it
 * all.
 *
 * A connection is opened over a connected, non-blocking descriptor, which stays the caller's.
 * Everything waits in wait.h, so a deadline and the order to stop end it.
 *
 * Threads    none inside
 */
#ifndef FORETRIP_TLS_H
#define FORETRIP_TLS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "model/site.h"

#define TLS_PORT 802

struct tls;

/* Shakes hands. NULL, with a phrase in why, when a file cannot be read, the certificate is not
 * trusted or of another name, or the deadline has passed. */
struct tls *tls_open(int fd, const struct site_bus *bus, int stop_fd, int64_t deadline_us,
                     char *why, size_t capacity);
void tls_close(struct tls *t); /* accepts NULL */

bool tls_send(struct tls *t, const uint8_t *bytes, size_t length);

enum tls_end { TLS_FRAME, TLS_SILENCE, TLS_PART, TLS_TOO_LONG, TLS_GONE };

/* One frame by its MBAP header, at most capacity bytes; *length is what came, also of a part.
 */
enum tls_end tls_receive(struct tls *t, uint8_t *frame, size_t capacity, size_t *length,
                         int64_t deadline_us);

/* Takes what has come unasked; how many bytes. */
size_t tls_throw_away(struct tls *t);

#endif
