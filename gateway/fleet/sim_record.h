/*
 * sim_record - what a simulated site has to tell, as text: records in the contract's form.
 *
 * A record is made again, to the letter, out of its few numbers, so that a site can send again
 * what it sent long ago without having kept it. Pure.
 */
#ifndef FORETRIP_FLEET_SIM_RECORD_H
#define FORETRIP_FLEET_SIM_RECORD_H

#include "base/text.h"

#include <stdint.h>

/* A story of an opening in its order, then what may stand by itself, then a dark house. */
enum sim_what {
    SIM_WARNED,      /* near_overload is raised */
    SIM_PROVISIONAL, /* the trip, one poll old */
    SIM_CONFIRMED,
    SIM_WARNING_OVER,
    SIM_RAISED,       /* the trip's alarm, or that of a worn breaker */
    SIM_ACKNOWLEDGED, /* by a person */
    SIM_RESTORED,
    SIM_OVER,
#define SIM_STORY 8 /* so many make one */
    SIM_HAZARD,     /* an open neutral */
    SIM_SILENT,     /* an essential load */
    SIM_WORN,       /* a worn breaker, found without an opening */
    SIM_DARK_ALARM, /* the house lost its supply */
    SIM_DARK_TRIP,  /* .. and each circuit, story tells which */
    SIM_LIGHT_RESTORED,
    SIM_LIGHT_ALARM,
};

struct sim_entry {
    int64_t wall_ms;
    int64_t since_ms; /* the alarm was raised, the breaker opened */
    uint32_t story;   /* which one; the circuit and the cause come of it and of the site */
    enum sim_what what;
};

#define SIM_CIRCUITS 12
#define SIM_DARK_CIRCUITS 6 /* that went with the supply */

/* The record with its number, a JSON object. */
void sim_record_write(struct text *out, const char *site, int64_t seq,
                      const struct sim_entry *e);

/* The circuit's id, "main-07". */
void sim_circuit(int circuit, char out[24]);

/* An even 32 bits out of two numbers. */
uint32_t sim_hash(uint32_t a, uint32_t b);

#endif
