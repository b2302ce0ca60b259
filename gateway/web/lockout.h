/*
 * lockout - how long whoever tries in vain has to wait: by account and by address.
 *
 * The first LOCKOUT_FREE tries in a row cost nothing; from then on each doubles the wait, from
 * LOCKOUT_FIRST_MS to LOCKOUT_MOST_MS. A good one ends it, and so does a day without a try. An
 * address is a whole IPv4 address, or the first 64 bits of an IPv6 address, which one
 * subscriber has.
 *
 * Kept in memory: the LOCKOUT_KEYS that tried last. Whoever makes up new names all the time is
 * met by their address.
 *
 * Threads  none inside
 */
#ifndef FORETRIP_WEB_LOCKOUT_H
#define FORETRIP_WEB_LOCKOUT_H

#include <stddef.h>
#include <stdint.h>

#define LOCKOUT_FREE 5
#define LOCKOUT_FIRST_MS INT64_C(15000)
#define LOCKOUT_MOST_MS INT64_C(3600000)
#define LOCKOUT_FORGET_MS INT64_C(86400000)
#define LOCKOUT_KEYS 256
#define LOCKOUT_KEY_SIZE 64

struct lockout_key {
    char key[LOCKOUT_KEY_SIZE]; /* "": free */
    int failed;
    int64_t tried_mono_ms, until_mono_ms;
};

struct lockout {
    struct lockout_key keys[LOCKOUT_KEYS];
};

/* ms to wait still, 0: none. */
int64_t lockout_wait_ms(const struct lockout *l, const char *key, int64_t mono_ms);

/* One try in vain; the wait that now begins, 0: none. */
int64_t lockout_failed(struct lockout *l, const char *key, int64_t mono_ms);
void lockout_good(struct lockout *l, const char *key);

/* The key for an address in numbers. */
void lockout_address_key(const char *address, char out[LOCKOUT_KEY_SIZE]);

#endif
