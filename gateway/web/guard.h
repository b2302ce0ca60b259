/*
 * guard - what is looked at before a question is answered, whatever page it is asked of.
 *
 * Bounds of a request, which route it means, whether this page asked it, whether it has the
 * session's token. The gateway's page (answer.h) and the centre's have routes and roles of
 * their own, and this in common.
 *
 * Pure; no socket, no clock.
 */
#ifndef FORETRIP_WEB_GUARD_H
#define FORETRIP_WEB_GUARD_H

#include "assets.h"
#include "request.h"

#include "model/event.h"

struct web_route {
    const char *method;
    const char *before; /* the id */
    const char *after;  /* NULL: the path is `before` and has no id */
};

/* What is too long, and on loopback (local: nobody is asked who they are) what comes by a name
 * that is not this machine's: false having answered. */
bool guard_bounds(const struct web_request *r, bool local, struct web_answer *out);

/* The route of a request among count, each stride bytes long and beginning with its web_route;
 * HEAD asks as GET does. Ids are letters, digits, _ - and the full stop. What changes something
 * (POST) comes from this page, as JSON. NULL having answered 403, 404, 405 or 415. */
const void *guard_route(const void *routes, size_t count, size_t stride,
                        const struct web_request *r, char id[EVENT_ID_SIZE],
                        struct web_answer *out);

/* What changes something has the session's token as well; false having answered 403. */
bool guard_token(const struct web_request *r, const struct access_who *who,
                 struct web_answer *out);

/* The body as a JSON object, without one an empty one; NULL having answered 400. */
json_t *guard_body(const struct web_request *r, struct web_answer *out);

/* Goes to the door with the id of the path ("": none); login: people log in here. */
void guard_to_door(const struct web_request *r, bool login, const char *verb, const char *id,
                   struct web_answer *out);

/* One of the page's files, or 404. */
void guard_asset(const struct web_request *r, const struct asset *a, struct web_answer *out);

/* Whoever has it already is told so: 304. */
void guard_unchanged(const struct web_request *r, struct web_answer *out);

#endif
