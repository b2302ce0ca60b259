/*
 * delivery - where messages go, as delivery.cfg says.
 *
 * Passwords are never in a configuration file: password_file names a file that holds one line.
 * Paths are absolute here; config/ has put its directory before relative ones.
 */
#ifndef FORETRIP_DELIVERY_H
#define FORETRIP_DELIVERY_H

#include "site.h"

#define DELIVERY_HOST_SIZE 256
#define DELIVERY_NAME_SIZE 128
#define DELIVERY_PATH_SIZE 512

struct delivery_tls {
    bool enabled;
    char ca[DELIVERY_PATH_SIZE];   /* "": the system's own authorities */
    char cert[DELIVERY_PATH_SIZE]; /* "": no client certificate */
    char key[DELIVERY_PATH_SIZE];
};

struct delivery_broker {
    char host[DELIVERY_HOST_SIZE];          /* "": no broker, nothing is published */
    int port;                               /* 1883, with TLS 8883 */
    char client_id[DELIVERY_NAME_SIZE];     /* "foretrip-<site id>" when nobody said */
    char username[DELIVERY_NAME_SIZE];      /* "": none */
    char password_file[DELIVERY_PATH_SIZE]; /* "": none */
    int keepalive_seconds;
    bool up; /* the stream of records for a centre is published too */
    struct delivery_tls tls;
};

struct delivery {
    struct delivery_broker broker;
};

#endif
