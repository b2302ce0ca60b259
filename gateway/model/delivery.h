/*
 * delivery - where messages go, as delivery.cfg says.
 *
 * Passwords are never in a configuration file: password_file names a file that holds one line.
 * Paths are absolute here; config/ has put its directory before relative ones.
 */
#ifndef FORETRIP_DELIVERY_H
#define FORETRIP_DELIVERY_H

#include "role.h"
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

/* The open conventions beside our own topics; each is off until delivery.cfg has its group. */
struct delivery_sparkplug {
    bool enabled;
    char group[SITE_ID_SIZE];
    char node[SITE_ID_SIZE];
    char primary_host[SITE_ID_SIZE]; /* "": none is waited for */
};

struct delivery_homie {
    bool enabled;
    char domain[SITE_ID_SIZE]; /* the first level of its topics */
};

struct delivery_broker {
    char host[DELIVERY_HOST_SIZE];          /* "": no broker, nothing is published */
    int port;                               /* 1883, with TLS 8883 */
    char client_id[DELIVERY_NAME_SIZE];     /* "foretrip-<site id>" when nobody said */
    char username[DELIVERY_NAME_SIZE];      /* "": none */
    char password_file[DELIVERY_PATH_SIZE]; /* "": none */
    int keepalive_seconds;
    bool up;       /* the stream of records for a centre is published too */
    bool up_loads; /* .. with the loads that came and went */
    bool up_only;  /* .. and nothing else that tells of the house */
    bool named;    /* commands only where the topic ends in a person's id */
    struct delivery_tls tls;
    struct delivery_sparkplug sparkplug;
    struct delivery_homie homie;
};

enum delivery_security { SECURITY_STARTTLS, SECURITY_TLS, SECURITY_NONE };

/* The mail server that takes our mail. */
struct delivery_mail {
    char host[DELIVERY_HOST_SIZE]; /* "": none */
    int port;                      /* 587; with TLS from the first byte 465, without any 25 */
    int security;                  /* enum delivery_security */
    char username[DELIVERY_NAME_SIZE];      /* "": no login */
    char password_file[DELIVERY_PATH_SIZE]; /* "": none */
    char from[DELIVERY_HOST_SIZE];
    char ca[DELIVERY_PATH_SIZE]; /* "": the system's own authorities */
};

enum delivery_summary { SUMMARY_NONE, SUMMARY_DAILY, SUMMARY_WEEKLY };

#define DELIVERY_MAX_PEOPLE 32
#define DELIVERY_NO_MINUTE (-1)

struct delivery_person {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    int role; /* enum delivery_role */
    char language[8];
    char mail[DELIVERY_HOST_SIZE];    /* "": none */
    char webhook[DELIVERY_PATH_SIZE]; /* "": none */
    char token_file[DELIVERY_PATH_SIZE];
    char webhook_ca[DELIVERY_PATH_SIZE];
    int least;                /* enum alarm_priority: the lowest that reaches them */
    int quiet_from, quiet_to; /* minutes since the site's midnight, DELIVERY_NO_MINUTE: none */
    int after_minutes;        /* told only when nobody has acknowledged it by then */
    int repeat_minutes;       /* 0: told once */
    int summary;              /* enum delivery_summary */
    int summary_minute;
};

struct delivery {
    struct delivery_broker broker;
    struct delivery_mail mail;
    struct delivery_person people[DELIVERY_MAX_PEOPLE];
    size_t person_count;
};

/* Index, -1 when there is none. */
int delivery_find_person(const struct delivery *d, const char *id);

#endif
