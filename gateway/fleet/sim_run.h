/*
 * sim_run - a fleet of simulated gateways at a real broker: for the demonstration, the tests
 * and the load.
 *
 * Each has its own connection, will and record; all are served by one thread over epoll. It
 * tells stories of openings as fast as it is asked to, sends again what a centre asks for,
 * answers the commands `status` and `circuits`, and can let a part of the fleet lose its
 * supply.
 *
 * Ownership  sim_run blocks until it is over
 * Threads    one
 */
#ifndef FORETRIP_FLEET_SIM_RUN_H
#define FORETRIP_FLEET_SIM_RUN_H

#include "model/fleet.h"

#include <signal.h>
#include <stdint.h>

struct sim_options {
    const struct fleet_settings *settings; /* where the broker is; each site is a client */
    size_t sites;
    double history_days;        /* of stories before the start; 0: none */
    double per_second;          /* records of the whole fleet; 0: none */
    int64_t records;            /* told in all, then no more; 0: no end */
    double seconds;             /* ends then; 0: when all that is to be told is acknowledged */
    double period_seconds;      /* a site's batch at least every so often when there is news */
    double health_seconds;      /* a site's word when there is none */
    double storm_after_seconds; /* when part of the fleet goes dark; 0: never */
    double storm_seconds;       /* it comes back within that time */
    double linger_seconds;      /* stays on for what is asked again, at the end */
    volatile sig_atomic_t *stop;
};

#define SIM_STORM_PERCENT 30 /* of the sites; of these every second one's gateway goes too */

struct sim_result {
    int64_t told, acknowledged; /* records */
    int64_t again;              /* batches that were asked for */
    int64_t batches;
    int64_t reconnects;
    double seconds;   /* from the first record to the last answer */
    size_t connected; /* at the most at one time */
};

/* False with a sentence in why when it cannot run at all. */
bool sim_run(const struct sim_options *o, struct sim_result *out, char *why, size_t why_size);

#endif
