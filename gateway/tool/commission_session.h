/*
 * commission_session - a site's buses while it is commissioned: read, compared, walked.
 *
 * What the meters say while a question stands on the terminal waits in a queue of some minutes;
 * older readings than that are missing then.
 */
#ifndef FORETRIP_TOOL_COMMISSION_SESSION_H
#define FORETRIP_TOOL_COMMISSION_SESSION_H

#include "analysis/wiring_check.h"
#include "config/reader.h"

struct commission_session;

/* Borrows the configuration, and has its buses polled alike. NULL, having said why on standard
 * error. */
struct commission_session *commission_open(struct config *c);
void commission_close(struct commission_session *s); /* accepts NULL */

void commission_listen(struct commission_session *s, int64_t ms);

/* Whether any current was read so far. */
bool commission_has_read(const struct commission_session *s);
const struct wiring_check *commission_check(const struct commission_session *s);

/* Another load is used from here on. */
void commission_change_load(struct commission_session *s);

/* Gives the beat at the terminal and judges what was seen (wiring_walk.h). */
const struct wiring_walked *commission_walk(struct commission_session *s, int circuit,
                                            bool *again);

#endif
