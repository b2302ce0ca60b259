/*
 * fleet - what a centre of many sites runs by, as fleet.cfg says.
 *
 * Paths are absolute here, or a postgresql:// address; config/ has put its directory before
 * relative ones.
 */
#ifndef FORETRIP_FLEET_H
#define FORETRIP_FLEET_H

#include "delivery.h"
#include "page.h"

#define FLEET_PAGE_PORT 8475

enum fleet_intake { FLEET_MQTT, FLEET_AMQP };
#define FLEET_INTAKES 2

struct fleet_node {
    char host[DELIVERY_HOST_SIZE];
    int port;
};

/* Where gateways are let in (fleet/admit.h). */
struct fleet_admit {
    char listen[DELIVERY_NAME_SIZE]; /* an address */
    int port;
    int certificate_days; /* how long a gateway's certificate is good */
    int code_hours;       /* how long a code is */
};

struct fleet_settings {
    char database[DELIVERY_PATH_SIZE]; /* file of SQLite, or postgresql://.. */
    bool known_only;                   /* sites that nobody has added are passed over */
    int intake;                        /* enum fleet_intake */
    char group[SITE_ID_SIZE];          /* collectors of one group share the work */
    int queues;                        /* AMQP: how many the sites are spread over */
    char vhost[DELIVERY_NAME_SIZE];    /* AMQP */
    char nodes[DELIVERY_PATH_SIZE]; /* further ones of the broker's cluster, "host:port .." */
    char mqtt[DELIVERY_PATH_SIZE];  /* AMQP: where the cluster takes MQTT, for what is asked */
    char ask_as[SITE_ID_SIZE]; /* person of the gateways' delivery.cfg that asks; "": none */
    struct delivery_broker broker; /* where the sites' streams come from */
    struct fleet_admit admit;
    struct page_settings page; /* where the centre's page is served */
    struct delivery people;    /* who may log in there; its people alone */
};

/* "host:port", not terminated; false when it is none. */
bool fleet_read_node(const char *s, size_t length, struct fleet_node *out);

/* The broker's own address first, then its cluster's others. */
#define FLEET_MOST_NODES 16
size_t fleet_list_nodes(const struct fleet_settings *f,
                        struct fleet_node out[FLEET_MOST_NODES]);

/* Where it takes MQTT: those of `mqtt` where there are any, else the same. 0: AMQP, and nobody
 * said. */
size_t fleet_list_ask_nodes(const struct fleet_settings *f,
                            struct fleet_node out[FLEET_MOST_NODES]);

#endif
