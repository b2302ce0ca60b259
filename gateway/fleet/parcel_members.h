/*
 * parcel_members - the members of a parcel that the centre files by, with their values as they
 * were read.
 *
 * Plain data. A text is good while it is shorter than MEMBER_WORDS; a longer one, and a value
 * of another kind than is asked for, is as if it were not there.
 */
#ifndef FORETRIP_FLEET_PARCEL_MEMBERS_H
#define FORETRIP_FLEET_PARCEL_MEMBERS_H

#include "model/event.h"

#define MEMBER_WORDS EVENT_ID_SIZE

/* Members that matter: of the parcel, of its health, of a record. */
enum member {
    M_NONE = -1,
    M_SITE,
    M_AFTER,
    M_TO,
    M_AGAIN,
    M_HEALTH,
    M_RECORDS,
    M_NAME, /* of health */
    M_SEQ,
    M_TIME,
    M_TYPE,
    M_PANEL,
    M_CIRCUIT,
    M_ALARM,
    M_KIND,
    M_PRIORITY,
    M_STATE,
    M_ALERT,
    M_RAISED_AT,
    M_TRIP,
    M_STAGE,
    M_CAUSE,
    M_PROBABILITY,
    M_SECONDS_OPEN,
    M_SECONDS_HELD,
    M_OPENED_AT,
    M_CALL,
    MEMBERS
};

enum value_type { V_OTHER, V_WORD, V_NUMBER, V_TRUE };

struct member_value {
    enum value_type type;
    char words[MEMBER_WORDS]; /* the text, or the number's */
};

struct members {
    uint32_t seen; /* a bit for each */
    struct member_value values[MEMBERS];
};

/* Of those from first up to, not including, end, the one of that name; M_NONE: none. */
enum member member_find(const char *name, size_t length, enum member first, enum member end);
const char *member_name(enum member m);

/* It is there now, its value V_OTHER. False when it was before. */
bool members_see(struct members *m, enum member which);

/* Those from which on were not seen. */
void members_forget(struct members *m, enum member which);

enum value_type members_type(const struct members *m, enum member which);

/* A whole number from 0 on. False, and *out as it was, when it is none; so the time. */
bool members_number(const struct members *m, enum member which, int64_t *out);
bool members_time(const struct members *m, enum member which, int64_t *wall_ms);
double members_real(const struct members *m, enum member which); /* NaN: none */
void members_text(const struct members *m, enum member which, char *out, size_t size); /* "" */

#endif
