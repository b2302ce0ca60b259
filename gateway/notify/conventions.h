/*
 * conventions - the open conventions that delivery.cfg has switched on: Sparkplug 3.0, Homie 5.
 *
 * Ownership  conventions_start .. conventions_stop; borrows the site
 * Threads    the caller's; none blocks
 */
#ifndef FORETRIP_CONVENTIONS_H
#define FORETRIP_CONVENTIONS_H

#include "homie.h"
#include "sparkplug.h"

/* All NULL: none is on. */
struct conventions {
    struct bulletin *bulletin;
    struct sparkplug *sparkplug;
    struct homie *homie;
    int64_t kept_since; /* sparkplug_quiet_since as it was last kept */
};

/* Starts those that are on; false when memory is short. */
bool conventions_start(struct conventions *c, const struct delivery_broker *broker,
                       const struct site *site, const char *store_path,
                       double meter_lost_seconds);
void conventions_stop(struct conventions *c);

/* Their threads are watched too. */
void conventions_watch(const struct conventions *c, struct vigil *v);

/* Into the turn what must survive a restart, when it has changed: seldom, and some bytes. */
void conventions_keep(struct conventions *c, struct store *s, int64_t wall_ms);

/* What is known of a circuit now. */
void conventions_set(struct conventions *c, size_t circuit, int64_t wall_ms,
                     const struct engine_circuit *known);

/* Circuits were set; alarms: alarms have changed on disk. */
void conventions_tell(struct conventions *c, bool alarms);

#endif
