/*
 * notices - what a person is told: one notice for one story.
 *
 * An urgent or high alarm that somebody at a unit would have to see to is a notice of its own,
 * once for each time it is raised. Where the same thing befalls many units at once, it is one:
 * units that lost their supply are one notice with their number, however many they are, and so
 * are gateways that went quiet. A notice ends when what it tells of is over.
 *
 * Made out of what stands in the store, not out of what passes: whoever tends them when is all
 * the same, and two collectors that do it at once make none twice.
 */
#ifndef FORETRIP_FLEET_NOTICES_H
#define FORETRIP_FLEET_NOTICES_H

#include "sql.h"

#define NOTICE_OUTAGE "supply_outage" /* kinds beside those of alarms */
#define NOTICE_QUIET "quiet"
#define NOTICE_COPIED "gateway_copied" /* copies.h */

/* The story an alarm belongs to: NOTICE_OUTAGE, or "" for none. A house that went dark raises a
 * trip alarm of the site itself, without panel and circuit. */
const char *notices_story(const char *kind, const char *panel, const char *circuit);

/* Begins and ends notices by what stands at wall_ms. */
enum sql_err notices_tend(struct sql *s, int64_t wall_ms);

struct notice {
    int64_t notice; /* number, rising */
    const char *kind, *priority;
    const char *site;                    /* id of the unit; "" for a notice of many */
    const char *name;                    /* of the unit; "" */
    const char *alarm;                   /* id at its site; "" */
    int64_t began_ms, last_ms, ended_ms; /* 0: not over */
    int64_t units;                       /* at the most at one time */
    const char *json;                    /* the alarm event as sent last; "" */
    const char *text;                    /* where it is no alarm's: a sentence; "" */
};
typedef bool notice_fn(void *context, const struct notice *n);

/* Those not over, and those that ended after ended_after_ms, the newest first, at most most. */
enum sql_err notices_read(struct sql *s, int64_t ended_after_ms, size_t most, notice_fn *fn,
                          void *context);

#endif
