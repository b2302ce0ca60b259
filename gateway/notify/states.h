/*
 * states - latest values, each under its topic: only what is newest is worth sending.
 *
 * Whoever knows sets them, the line to the broker sends what has changed since it last did. A
 * value that is set again before it was sent replaces the older; a slow broker costs steps, not
 * memory.
 *
 * Ownership  states_create .. states_destroy; texts are copied
 * Threads    safe; the lock is held while states_send hands values on, so its callback must not
 *            wait for anything
 */
#ifndef FORETRIP_STATES_H
#define FORETRIP_STATES_H

#include <stdbool.h>

struct states;

struct states *states_create(void);
void states_destroy(struct states *s); /* accepts NULL */

/* An equal value changes nothing. When memory is short the older value stays. */
void states_set(struct states *s, const char *topic, const char *payload);

/* Everything counts as changed: a new connection, perhaps to a broker that remembers nothing.
 */
void states_renew(struct states *s);

/* Hands on what has changed; false from the callback keeps this one and ends the round. */
typedef bool states_fn(void *context, const char *topic, const char *payload);
void states_send(struct states *s, states_fn *fn, void *context);

#endif
