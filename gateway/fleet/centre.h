/*
 * centre - the page of a centre, served: what the parts of it have in common with a process.
 *
 * A server (web/server.h) whose threads read and write the centre's store by connections of
 * their own; the door's thread (web/porter.h) where people log in; an asker (ask.h) for what
 * stays at the sites, and the thread of centre_run, which writes down the sheets that came.
 * A store that is away is said (503) until it is back; a broker that is away, too.
 *
 * Ownership  centre_create .. centre_destroy; the settings are borrowed until then
 * Threads    centre_create, centre_turn and centre_destroy on one
 */
#ifndef FORETRIP_FLEET_CENTRE_H
#define FORETRIP_FLEET_CENTRE_H

#include "model/fleet.h"

#include <stdbool.h>

#define CENTRE_WHY_SIZE 400

struct centre;

/* The store is taken to its newest schema. NULL with a sentence in why: it cannot be reached,
 * or the port is taken. */
struct centre *centre_create(const struct fleet_settings *settings, char why[CENTRE_WHY_SIZE]);
void centre_destroy(struct centre *c); /* accepts NULL */

int centre_port(const struct centre *c);

/* Writes down what came of the gateways, at most about timeout_ms long. */
void centre_turn(struct centre *c, int timeout_ms);

#endif
