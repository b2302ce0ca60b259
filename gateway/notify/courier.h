/*
 * courier - letters out of the outbox to people's mail servers and webhooks.
 *
 * One thread of its own and libcurl's multi interface: each way (one person's mail, one
 * person's webhook) has its own queue and at most one letter on its way, so letters to a person
 * keep their order and a way that is down delays no other. A letter is deleted from the outbox
 * when the other side has accepted it; killed between the two, it goes out again with the same
 * Message-ID or Idempotency-Key. A way that fails is tried again after a time that doubles from
 * 5 s to 15 min, with jitter. What is past its time, or refused for good, is said in the log
 * and, as a number, in the next letter of that way.
 *
 * Without libcurl on the machine (curl_late.h) every way is down, which is said, until it is
 * there.
 *
 * Ownership  courier_start .. courier_stop; borrows delivery and the store
 * Threads    every call from any thread; none blocks (courier_stop: 3 s at the most)
 */
#ifndef FORETRIP_COURIER_H
#define FORETRIP_COURIER_H

#include "model/delivery.h"
#include "model/phrases.h"
#include "store/store.h"

struct courier;
struct pulse; /* base/pulse.h */

struct courier_options {
    const struct delivery *delivery;
    const struct phrases *phrases;
    const struct site *site;
    struct store *store;
    const char *store_path; /* for the reader of its own */
    int retry_first_ms;     /* 0: 5000 */
    int retry_most_ms;      /* 0: 900000 */
    int timeout_ms;         /* of one attempt; 0: 60 s */
};

/* NULL with a sentence in why when memory is short or a thread cannot be had. */
struct courier *courier_start(const struct courier_options *o, char *why, size_t why_size);

/* Ends the thread; what is on its way has 2 s to arrive. Accepts NULL. */
void courier_stop(struct courier *c);

/* There may be new letters. */
void courier_wake(struct courier *c);

/* After a commit that failed, by the store's owner: letters that the disk has refused for
 * STORE_GRACE_MS go out all the same. When the disk takes them later they come again. */
void courier_tell_unwritten(struct courier *c, int64_t mono_ms);

struct courier_status {
    uint64_t accepted, refused, expired, failed_tries;
    size_t waiting;        /* letters */
    size_t ways_down;      /* whose last try failed */
    size_t ways_refused;   /* whose last letter was refused for good: an address that is none */
    int64_t oldest_ms;     /* age of the oldest waiting letter, 0 for none */
    char why[200];         /* "mail to Kim: .." of the last failure; "" when no way is down */
    char why_refused[200]; /* of the last that was refused; "" when none is now */
};
/* Its thread's. */
const struct pulse *courier_pulse(const struct courier *c);

void courier_get_status(struct courier *c, struct courier_status *out);

#endif
