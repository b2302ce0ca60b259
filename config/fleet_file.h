/*
 * fleet_file - fleet.cfg: what a centre of many sites runs by.
 *
 *     fleet = { database = "postgresql://fleet@db.example/fleet"; };
 *     broker = { host = "broker.example"; username = "centre"; password_file = "password"; };
 *
 *     page = { listen = "127.0.0.1"; port = 8475; };
 *     people = ( { id = "mo"; name = "Mo Diaz"; role = "manager"; } );
 *
 * The group broker is delivery.cfg's (delivery_file.h), the group page is page.cfg's
 * (page_file.h). People are those of the centre's page.
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
    FLEET_MQTT_NODES,
    FLEET_ASK_AS,
    FLEET_KEYS
};

enum { FLEET_PERSON_ID, FLEET_PERSON_NAME, FLEET_PERSON_ROLE, FLEET_PERSON_KEYS };

enum {
    FLEET_ADMIT_LISTEN,
    FLEET_ADMIT_PORT,
    FLEET_ADMIT_DAYS,
    FLEET_ADMIT_HOURS,
    FLEET_ADMIT_KEYS
};

/* False when there is at least one error in *faults. Without a fleet.cfg the defaults: a
 * database fleet.db there, a broker on this machine. */
bool fleet_file_load(struct fleet_settings *out, const char *directory,
                     struct config_faults *faults);

/* The same from texts in memory, for tests. */
bool fleet_file_load_memory(struct fleet_settings *out, const struct config_text *texts,
                            size_t count, struct config_faults *faults);

/* The tables, for the manual. */
extern const struct field fleet_admit_fields[FLEET_ADMIT_KEYS];
extern const struct field fleet_fields[FLEET_KEYS];
extern const struct field fleet_person_fields[FLEET_PERSON_KEYS];

#endif
