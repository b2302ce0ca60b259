/*
 * fleet_file - fleet.cfg: what a centre of many sites runs by.
 *
 *     fleet = { database = "postgresql://fleet@db.example/fleet"; };
 *     broker = { host = "broker.example"; username = "centre"; password_file = "password"; };
 *
 * The group broker is delivery.cfg's (delivery_file.h).
 */
#ifndef FORETRIP_CONFIG_FLEET_FILE_H
#define FORETRIP_CONFIG_FLEET_FILE_H

#include "config/fields.h"
#include "model/fleet.h"

enum {
    FLEET_DATABASE,
    FLEET_KNOWN_ONLY,
    FLEET_INTAKE,
    FLEET_GROUP,
    FLEET_QUEUES,
    FLEET_VHOST,
    FLEET_NODES,
    FLEET_KEYS
};

/* False when there is at least one error in *faults. Without a fleet.cfg the defaults: a
 * database fleet.db there, a broker on this machine. */
bool fleet_file_load(struct fleet_settings *out, const char *directory,
                     struct config_faults *faults);

/* The same from texts in memory, for tests. */
bool fleet_file_load_memory(struct fleet_settings *out, const struct config_text *texts,
                            size_t count, struct config_faults *faults);

/* The table, for the manual. */
extern const struct field fleet_fields[FLEET_KEYS];

#endif
