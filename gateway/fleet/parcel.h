/*
 * parcel - one message of a site's `up` stream, read and checked (docs/mqtt.md).
 *
 *     {"site":"maple-12","after":N,"from":N,"to":N,"records":[{"seq":N, ..}, ..]}
 *
 * A parcel speaks for every number above after up to and including to. Records come out as what
 * the centre files them by, with their text as it was sent. Pure: bytes in, values out.
 *
 * Whoever reads a record's text later finds JSON by RFC 8259 in UTF-8, not deeper than 64, with
 * numbers that a double or an int64_t holds and without NUL; a member that is none of ours may
 * be in it twice.
 *
 * Ownership  parcel_read .. parcel_free; the texts of records lie in the parcel's memory
 * Errors     a sentence that names the place; nothing is taken of a parcel with a fault
 * Cost       one pass and a copy
 */
#ifndef FORETRIP_FLEET_PARCEL_H
#define FORETRIP_FLEET_PARCEL_H

#include "model/event.h"
#include "model/site.h"

#define PARCEL_MAX_BYTES ((size_t)1024 * 1024)
#define PARCEL_MAX_RECORDS 2000
#define PARCEL_WHY_SIZE 200
#define PARCEL_TYPE_SIZE 32

enum parcel_kind { /* of a record: what the centre does with it beyond filing */
                   PARCEL_OTHER,
                   PARCEL_TRIP,
                   PARCEL_RESTORED,
                   PARCEL_OPENED_AGAIN,
                   PARCEL_ALARM,
};

struct parcel_record {
    int64_t seq;
    int64_t wall_ms; /* of the event */
    enum parcel_kind kind;
    char type[PARCEL_TYPE_SIZE];
    char subject[EVENT_ID_SIZE]; /* trip, alarm or call; "" */
    char panel[SITE_ID_SIZE], circuit[SITE_ID_SIZE];
    const char *json; /* the object as sent, terminated */
    size_t json_length;

    /* trip: what and how sure; alarm: kind and how urgent. "" and NaN where it has none */
    char state[32];    /* alarm: state; trip: stage */
    char what[32];     /* alarm: kind; trip: cause */
    char priority[16]; /* alarm */
    bool alert;        /* alarm: nothing to do now */
    double probability, seconds;
    int64_t since_wall_ms; /* alarm: raised, trip: opened; 0 */
};

struct parcel {
    char site[SITE_ID_SIZE];
    int64_t after, to;
    bool again;
    const char *health; /* the object as sent, terminated; NULL: none */
    char name[SITE_NAME_SIZE];
    struct parcel_record *records; /* by rising seq */
    size_t count;
    char *texts; /* a copy of the payload, which holds them all */
};

/* site: of the topic, which the broker vouches for. */
bool parcel_read(struct parcel *p, const char *site, const void *payload, size_t length,
                 char why[PARCEL_WHY_SIZE]);
void parcel_free(struct parcel *p);

#endif
