/*
 * fleet - what a centre of many sites runs by, as fleet.cfg says.
 *
 * Paths are absolute here, or a postgresql:// address; config/ has put its directory before
 * relative ones.
 */
#ifndef FORETRIP_FLEET_H
#define FORETRIP_FLEET_H

#include "delivery.h"

enum fleet_intake { FLEET_MQTT, FLEET_AMQP };
#define FLEET_INTAKES 2

struct fleet_settings {
    char database[DELIVERY_PATH_SIZE]; /* file of SQLite, or postgresql://.. */
    bool known_only;                   /* sites that nobody has added are passed over */
    int intake;                        /* enum fleet_intake */
    char group[SITE_ID_SIZE];          /* collectors of one group share the work */
    int queues;                        /* AMQP: how many the sites are spread over */
    char vhost[DELIVERY_NAME_SIZE];    /* AMQP */
    struct delivery_broker broker;     /* where the sites' streams come from */
};

#endif
