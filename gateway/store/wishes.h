/*
 * wishes - what another program asks of the gateway, by way of the record.
 *
 * A program that has no line to the daemon leaves its wish in the table of states, under a key
 * that begins with WISH; the daemon looks there now and then (store_read_wishes), does it,
 * keeps what came of it, and then drops the wish. When no daemon runs the wish waits. The same
 * wish twice does no harm.
 *
 * Each call has a connection of its own for as long as it lasts, and waits up to five seconds
 * for whoever writes.
 *
 * Errors   as store.h
 * Threads  any
 */
#ifndef FORETRIP_STORE_WISHES_H
#define FORETRIP_STORE_WISHES_H

#include "store.h"

#define WISH "wish:"           /* every key begins with it */
#define WISH_NAME WISH "name:" /* then "<circuit>/<load>"; the bytes are the name */
/* Who may log in to the page (web/access.h). The bytes are parted by tabs: who wishes it; the
 * hash of the code in hexadecimal; until when it is good, Unix ms; of a visit, the visitor's
 * name. To end something, who wishes it is enough. */
#define WISH_INVITE WISH "invite:" /* then the person's id */
#define WISH_VISIT WISH "visit:"   /* then the visit's id */
#define WISH_END WISH "end:"       /* then either */
/* Of a service call, then the verb of notify/command.h, a full stop and any word that makes it
 * one of its own; the bytes are the command's JSON. */
#define WISH_CALL WISH "call:"

/* What is wanted in the panel directory, as JSON (daemon/directory_change.h) with "by"; then
 * anything of the wisher's own. */
#define WISH_DIRECTORY WISH "directory:"

/* Replaces a wish under the same key. The record must be there. */
enum store_err wishes_add(const char *path, const char *key, const char *value,
                          int64_t wall_ms);

/* Unless it has been replaced by a later one meanwhile. */
enum store_err wishes_drop(const char *path, const char *key, int64_t wall_ms);

#endif
