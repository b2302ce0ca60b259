/*
 * enrolment - which units were let in, by which code, with which certificates: in the centre's
 * store.
 *
 * A code is for one unit, is good once, for some days, and for ENROLMENT_TRIES tries; of its
 * secret the hash alone is kept (web/code.h). A unit has one gateway: whoever redeems a code
 * takes the place of what was there before, whose certificates are revoked. A certificate that
 * is renewed stays good until its own end, in case the new one never arrived.
 *
 * Threads    one thread at a time per connection
 * Errors     SQL's, with a sentence in sql_why; in a transaction or not at all
 */
#ifndef FORETRIP_FLEET_ENROLMENT_H
#define FORETRIP_FLEET_ENROLMENT_H

#include "authority.h"
#include "sql.h"

#include "model/site.h"

#define ENROLMENT_TRIES 5
#define ENROLMENT_HOURS 72 /* when nobody says */
#define ENROLMENT_MOST_HOURS 720

struct enrolment_unit {
    const char *id, *name, *building, *unit; /* "": as it was, or none */
};

/* Adds the unit where it is not there, and makes a code for it; those it had are void. pin and
 * by: borrowed. code has what is to be told, once. */
enum sql_err enrolment_make_code(struct sql *s, const struct enrolment_unit *u, const char *pin,
                                 const char *by, int64_t wall_ms, int64_t until_ms,
                                 struct est_code *code);

enum enrolment_verdict {
    ENROLMENT_GOOD = 0,
    ENROLMENT_UNKNOWN, /* no such code, or another unit's, or a wrong secret */
    ENROLMENT_USED,
    ENROLMENT_OVER,  /* its time is */
    ENROLMENT_TRIED, /* too often in vain */
};

/* Looks at it without using it; a wrong secret counts as a try. Not inside a transaction. */
enum sql_err enrolment_try_code(struct sql *s, const char *unit, const char *ticket,
                                const char *secret, int64_t wall_ms,
                                enum enrolment_verdict *out);

struct enrolment_certificate {
    const char *unit, *serial;
    int64_t issued_ms, until_ms;
    int64_t revoked_ms;       /* 0: not */
    const char *how;          /* "code", "renewal" */
    const char *reason, *by;  /* of the revocation; "" */
    const char *address;      /* whom it was given to */
    const char *renewed_from; /* serial; "" */
};

/* Uses the code up and writes the certificate down, and revokes those that the unit had, in one
 * transaction. *used is false, and nothing is written, when somebody else was quicker. */
enum sql_err enrolment_redeem(struct sql *s, const char *ticket,
                              const struct enrolment_certificate *x, bool *used);

/* Writes down that `x->renewed_from` was renewed. */
enum sql_err enrolment_renew(struct sql *s, const struct enrolment_certificate *x);

/* Whether a certificate of ours may still be renewed: written down and not revoked. */
enum sql_err enrolment_is_good(struct sql *s, const char *serial, bool *good);

/* All of a unit, or the one with that serial, that are not revoked and not over; *count how
 * many. Codes of the unit are void too. */
enum sql_err enrolment_revoke(struct sql *s, const char *unit_or_serial, const char *reason,
                              const char *by, int64_t wall_ms, int64_t *count);

/* Newest first; unit: NULL for all. */
typedef bool enrolment_fn(void *context, const struct enrolment_certificate *x);
enum sql_err enrolment_list(struct sql *s, const char *unit, enrolment_fn *fn, void *context);

/* Codes that can still be redeemed. */
typedef bool enrolment_code_fn(void *context, const char *unit, int64_t until_ms, int64_t tries,
                               const char *by);
enum sql_err enrolment_list_codes(struct sql *s, int64_t wall_ms, enrolment_code_fn *fn,
                                  void *context);

/* crl.pem out of what is revoked and not over. False with a sentence in why. */
bool enrolment_write_crl(struct sql *s, const struct authority *a, int64_t wall_ms,
                         char why[AUTHORITY_WHY_SIZE]);

#endif
