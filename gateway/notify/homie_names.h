/*
 * homie_names - which nodes and properties the house has in Homie 5, and its description.
 *
 * Pure: site in, ids and JSON out. Source: Homie Convention 5, "Topic IDs" and "Properties".
 */
#ifndef FORETRIP_HOMIE_NAMES_H
#define FORETRIP_HOMIE_NAMES_H

#include "base/text.h"
#include "model/site.h"

enum homie_property { /* of a circuit */
                      HOMIE_AMPS,
                      HOMIE_WATTS,
                      HOMIE_VOLTS,
                      HOMIE_POWER_FACTOR,
                      HOMIE_LOAD,
                      HOMIE_HEAT,
                      HOMIE_HEADROOM,
                      HOMIE_TRIP_CHANCE,
                      HOMIE_STATE,
                      HOMIE_ALARM,
                      HOMIE_MEASURED,
};
#define HOMIE_CIRCUIT_PROPERTIES 11

enum homie_house_property { HOMIE_ALARMS, HOMIE_UNACKNOWLEDGED };
#define HOMIE_HOUSE_PROPERTIES 2

struct homie_property_spec {
    const char *id, *name, *datatype;
    const char *format, *unit; /* NULL: none */
};
extern const struct homie_property_spec homie_circuit_properties[HOMIE_CIRCUIT_PROPERTIES];
extern const struct homie_property_spec homie_house_properties[HOMIE_HOUSE_PROPERTIES];

/* Room for an id that got a number. */
#define HOMIE_ID_SIZE (SITE_ID_SIZE + 6)

struct homie_names {
    char device[HOMIE_ID_SIZE];
    char house[HOMIE_ID_SIZE];       /* the node of what concerns all of the house */
    char (*circuits)[HOMIE_ID_SIZE]; /* nodes, one a circuit */
    size_t circuit_count;
};

/* False when memory is short. */
bool homie_names_make(struct homie_names *n, const struct site *s);
void homie_names_free(struct homie_names *n);

/* Small letters, digits and dashes; anything else becomes a dash. */
void homie_id(const char *s, char *out, size_t size);

/* The document below $description; NULL when memory is short, else malloc'ed. */
char *homie_description(const struct homie_names *n, const struct site *s, int64_t version);

#endif
