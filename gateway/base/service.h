/*
 * service - what a service manager and its journal are told.
 *
 * Two datagrams that systemd promises to keep as they are and names as meant for programs that
 * do without its library ("Interface Portability and Stability Promise"): sd_notify(3) to the
 * socket in $NOTIFY_SOCKET, and the journal's native protocol ("Native Journal Protocol",
 * systemd.io). libsystemd would bring five libraries for compression and ciphers into every
 * process, 0.9 MiB resident, for these two.
 *
 * Without a service manager nothing is sent.
 *
 * Threads    any
 */
#ifndef FORETRIP_SERVICE_H
#define FORETRIP_SERVICE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SERVICE_JOURNAL "/run/systemd/journal/socket"

/* Lines of KEY=value: "READY=1", "STATUS=...". False: there is nobody, or it was not taken. */
bool service_notify(const char *state);
bool service_notifyf(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* What $WATCHDOG_USEC asks for, in microseconds; 0: no life sign is waited for, or not ours. */
uint64_t service_watchdog_us(void);

struct service_field {
    const char *name; /* upper case, digits and underscores */
    const char *value;
};

/* One entry of the journal at that socket. False: it was not taken. */
bool service_journal(const char *name, const struct service_field *fields, size_t count);

#endif
