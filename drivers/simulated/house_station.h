/*
 * house_station - the meters of a simulated house behind its buses: answers requests.
 *
 * Finds the meter by bus and unit, lets the house catch up with the clock, fills the registers
 * and answers, unless mischief has it otherwise. A unit that is not there is exception 0B on
 * TCP (the gateway's target failed to respond) and silence on a serial line.
 *
 * Ownership  create .. destroy; borrows site, maps and house
 */
#ifndef FORETRIP_SIMULATED_HOUSE_STATION_H
#define FORETRIP_SIMULATED_HOUSE_STATION_H

#include "house_meter.h"
#include "mischief.h"
#include "server.h"

struct house_station;

/* mischief: one a meter, copied, NULL for none. speed: house seconds per real second; the
 * house's time begins now. NULL when memory is short. */
struct house_station *house_station_create(const struct site *site,
                                           const struct meter_map_set *maps,
                                           struct house *house, const struct mischief *mischief,
                                           double speed, uint64_t seed);
/* Its SunSpec meters are of the models in floats. Before anything is asked. */
void house_station_use_floats(struct house_station *s);

void house_station_destroy(struct house_station *s);

/* Lets the house live up to now. */
void house_station_catch_up(struct house_station *s);

/* context: the station. */
void house_station_answer(void *context, int bus, uint8_t unit, const uint8_t *pdu,
                          size_t length, struct server_reply *reply);

#endif
