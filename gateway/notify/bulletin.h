/*
 * bulletin - the house as the open conventions tell it: the newest of every circuit, and the
 * alarms that stand.
 *
 * The engine's thread writes what it knows of a circuit, the threads of the conventions read
 * copies. Alarms are read from the record, so that none is told that is not on disk.
 *
 * Units      as in struct engine_circuit; NaN: no reading
 * Ownership  bulletin_create .. bulletin_destroy; the site is copied as far as it is needed
 * Threads    bulletin_set and bulletin_get from any; bulletin_read_alarms takes the caller's
 * reader
 */
#ifndef FORETRIP_BULLETIN_H
#define FORETRIP_BULLETIN_H

#include "analysis/engine.h"
#include "store/reader.h"

struct bulletin_circuit {
    double amps, watts, volts, power_factor;
    double heat;          /* 1 opens */
    double headroom_amps; /* until it would open, at length */
    double chance;        /* of opening within a quarter of an hour, at the present current */
    int state;            /* as in engine_circuit */
    double age_seconds;   /* of the reading; INFINITY: none yet */
    int64_t wall_ms;      /* as of */
    uint64_t version;     /* grows with every change; 0: nothing known yet */
};

struct bulletin;

struct bulletin *bulletin_create(const struct site *s);
void bulletin_destroy(struct bulletin *b);

void bulletin_set(struct bulletin *b, size_t circuit, int64_t wall_ms,
                  const struct engine_circuit *c);
void bulletin_get(struct bulletin *b, size_t circuit, struct bulletin_circuit *out);

/* "closed", "open", "unknown" */
const char *bulletin_state_word(int state);

#define BULLETIN_MOST_ALARMS 256
struct bulletin_alarm {
    char id[EVENT_ID_SIZE];
    char circuit[SITE_ID_SIZE]; /* "": of a panel, a meter or the site */
    char kind[32];
    enum alarm_priority priority;
    bool alert; /* something to know of, no alarm */
    bool unacknowledged;
    char text[EVENT_TEXT_SIZE];
};

struct bulletin_alarms {
    struct bulletin_alarm list[BULLETIN_MOST_ALARMS]; /* the newest change first */
    size_t count;
};

/* Those that call for somebody: unacknowledged, acknowledged and returned unacknowledged; not
 * those that are shelved, suppressed or out of service. */
enum store_err bulletin_read_alarms(struct store_reader *r, struct bulletin_alarms *out);

/* How many alarms stand, how many of them are not acknowledged, and the newest; alerts do not
 * count. */
struct bulletin_sum {
    size_t standing, unacknowledged;
    const char *latest; /* its sentence, "" */
};
struct bulletin_sum bulletin_sum(const struct bulletin_alarms *a);

/* The worst of a circuit, the newest among equals; NULL: none. */
const struct bulletin_alarm *bulletin_worst(const struct bulletin_alarms *a,
                                            const char *circuit);

#endif
