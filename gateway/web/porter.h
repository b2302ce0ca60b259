/*
 * porter - the door's thread: what is asked there one after the other, off those that serve.
 *
 * Argon2 takes a tenth of a second and 64 MiB; whoever does not log in does not wait for it.
 * What came of an ask goes to `done`, which has it kept and then answers (server_answered): so
 * nobody is told of what a power cut may take back.
 *
 * Ownership  porter_create .. porter_destroy; borrows access, people and pulse
 * Threads    porter_push from any; `done` is called on the porter's own thread
 */
#ifndef FORETRIP_WEB_PORTER_H
#define FORETRIP_WEB_PORTER_H

#include "door.h"
#include "server.h"

struct porter;
struct pulse; /* base/pulse.h */

typedef void porter_done_fn(void *context, struct server_ask *ask);

/* NULL: memory is short. */
struct porter *porter_create(struct access *access, const struct delivery *people,
                             door_may_fn *may, struct pulse *pulse, porter_done_fn *done,
                             void *context);
/* Its thread has ended, and whoever still waited is told that it stops. Accepts NULL. */
void porter_stop(struct porter *p);
void porter_destroy(struct porter *p); /* stops first; accepts NULL */

/* False: too many wait. */
bool porter_push(struct porter *p, struct server_ask *ask);

struct door *porter_door(const struct porter *p);

/* Says in the log the code with which the first administrator chooses a password, when there
 * is none yet. */
void porter_say_first_code(struct access *access);

#endif
