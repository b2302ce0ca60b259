/*
 * sparkplug_parts - what sparkplug.c (the session) and sparkplug_fill.c (what follows an
 * outage) share. For them alone.
 */
#ifndef FORETRIP_SPARKPLUG_PARTS_H
#define FORETRIP_SPARKPLUG_PARTS_H

#include "sparkplug.h"
#include "sparkplug_payload.h"

#include <stdatomic.h>

#define SPARKPLUG_TOPIC_SIZE 320
#define SPARKPLUG_METRIC_SIZE (SITE_ID_SIZE + 24)
#define SPARKPLUG_PER_CIRCUIT 11

enum sparkplug_place { /* of a circuit's metrics */
                       PLACE_AMPS,
                       PLACE_WATTS,
                       PLACE_VOLTS,
                       PLACE_POWER_FACTOR,
                       PLACE_HEAT,
                       PLACE_HEADROOM,
                       PLACE_CHANCE,
                       PLACE_STATE,
                       PLACE_ALARM,
                       PLACE_NAME,
                       PLACE_RATING,
};

struct sparkplug_circuit {
    char names[SPARKPLUG_PER_CIRCUIT][SPARKPLUG_METRIC_SIZE];
    struct bulletin_circuit said; /* what the host knows */
    char alarm[32];               /* kind of its worst alarm */
    double filled[2];             /* amps, watts: the last that was sent of an outage */
};

struct sparkplug_fill {
    int64_t from_wall_ms; /* what is missing at the host begins here; 0: nothing is */
    int64_t to_wall_ms;   /* 0: the outage goes on */
    int64_t due_mono_ms;  /* by then all of it is on disk */
};

struct sparkplug {
    struct delivery_sparkplug settings;
    double meter_lost_seconds;
    int keepalive_seconds;
    const struct site *site;
    struct bulletin *bulletin;
    struct store_reader *reader;
    struct convention *convention;
    atomic_bool alarms_changed;
    _Atomic int64_t missing_since; /* what the host has not heard begins here; 0: it has all */

    /* the thread's own */
    char death_topic[SPARKPLUG_TOPIC_SIZE];
    uint8_t *death; /* the will of this connection */
    size_t death_length;
    int bdseq, seq;
    bool born;
    bool host_online;      /* the primary host, as last heard */
    int64_t host_stamp;    /* of that */
    bool *alive;           /* meters with a birth */
    int64_t quiet_wall_ms; /* since when the host may not have heard us; 0: it does */
    bool reading_said;
    struct sparkplug_circuit *circuits;
    struct bulletin_alarms alarms;
    struct sparkplug_payload payload;
    struct sparkplug_fill fill;
};

/* "spBv1.0/<group>/<kind>/<node>[/<device>]" */
void sparkplug_topic(const struct sparkplug *s, const char *kind, const char *device,
                     char out[SPARKPLUG_TOPIC_SIZE]);

/* Sends s->payload and empties it; false when the connection is gone. */
bool sparkplug_send(struct sparkplug *s, struct broker *b, const char *kind,
                    const char *device);

/* The births are out: what was missed until now is due soon. */
void sparkplug_fill_begin(struct sparkplug *s);
/* Sends a piece of it. True: there is more. */
bool sparkplug_fill_step(struct sparkplug *s, struct broker *b);

#endif
