/*
 * consents - what a tenant allowed the manager to see: which appliances are on at their unit.
 *
 * Without one a manager is not told (web/discreet.h). A consent says by whom it was given, when
 * and until when, and who wrote it down; it is never changed, only revoked, and stays in the
 * store as evidence of both. At any time one consent of a unit at the most counts: a new one
 * ends the one before.
 *
 * Units      wall clock in milliseconds
 * Ownership  texts of a row are borrowed for the call
 */
#ifndef FORETRIP_FLEET_CONSENTS_H
#define FORETRIP_FLEET_CONSENTS_H

#include "sql.h"

#define CONSENT_LOADS "loads" /* what is consented to: the one kind there is */
#define CONSENT_MOST_MS (INT64_C(366) * 86400000)
#define CONSENT_TEXT_SIZE 201

struct consent {
    int64_t consent;                 /* number */
    const char *what, *tenant, *how; /* how it was given: "letter of 3 May" */
    int64_t from_ms, until_ms;
    const char *by;     /* who wrote it down */
    int64_t revoked_ms; /* 0: it was not */
    const char *revoked_by;
};

struct consent_new {
    const char *unit, *tenant, *how, *by;
    int64_t until_ms;
};

/* SQL_FINE and *number 0: there is no such unit. */
enum sql_err consents_give(struct sql *s, const struct consent_new *n, int64_t wall_ms,
                           int64_t *number);

/* Whatever counts at the unit is over from now on, and sheets that were kept on its account
 * are forgotten. *revoked: whether there was one. */
enum sql_err consents_revoke(struct sql *s, const char *unit, const char *by, int64_t wall_ms,
                             bool *revoked);

enum sql_err consents_now(struct sql *s, const char *unit, int64_t now_ms, bool *given);

typedef bool consent_fn(void *context, const struct consent *c);
/* All of a unit, the newest first, at most 50. */
enum sql_err consents_read(struct sql *s, const char *unit, consent_fn *fn, void *context);

/* The sites (the store's numbers) with a consent that counts, rising. */
typedef bool consent_site_fn(void *context, int64_t site);
enum sql_err consents_sites(struct sql *s, int64_t now_ms, consent_site_fn *fn, void *context);

#endif
