/*
 * door - what is asked at the door: logging in and out, choosing a password, letting others in.
 *
 *     login      person, password; or code, of a visit
 *     choose     person, code, password: the one-time code is used up, and they are in
 *     password   old, password: a new one
 *     logout     -
 *     invite     person: a one-time code for them
 *     visit      name, seconds: a code for somebody who comes for some hours
 *     end        id: every session and code of a person, or a visit
 *
 * Tries in vain are counted by account and by address (lockout.h); who has to wait is told how
 * long, and nothing is looked at meanwhile. Nobody is told whether it was the name or the
 * password that was wrong.
 *
 * Each is said in the audit log, by the notes that door_take_note gives to whoever writes.
 *
 * Threads    door_answer on one thread (Argon2 takes its time); door_take_note on another
 */
#ifndef FORETRIP_WEB_DOOR_H
#define FORETRIP_WEB_DOOR_H

#include "access.h"
#include "request.h"

#include "store/store.h"

#define DOOR_COOKIE "__Host-foretrip"

struct door;

/* What a role may do, as the session says it: a list of words. */
typedef json_t *door_may_fn(enum delivery_role role);
json_t *door_gateway_may(enum delivery_role role); /* of the gateway's page: act_name */

struct door *door_create(struct access *access, const struct delivery *d, door_may_fn *may);
void door_destroy(struct door *door); /* accepts NULL */

struct door_ask {
    const char *verb;
    const char *body; /* a JSON object */
    size_t length;
    const struct access_who *who; /* whose id is "" before a login */
    const char *address;
};

/* Fills *out, which is zeroed. */
void door_answer(struct door *door, const struct door_ask *ask, int64_t wall_ms,
                 int64_t mono_ms, struct web_answer *out);

/* Who is in, and what they may do. login: people have to log in here. who NULL: nobody is. */
void door_session_json(bool login, const struct access_who *who, door_may_fn *may,
                       struct web_answer *out);

/* The oldest note, its texts in a buffer of the caller's; false when there is none. */
struct door_note {
    struct store_audit said;
    char who[SITE_NAME_SIZE + SITE_ID_SIZE + 24], way[64], subject[SITE_NAME_SIZE + 32],
        result[ACCESS_WHY_SIZE];
};
bool door_take_note(struct door *door, struct door_note *out);

#endif
