/*
 * admission - what a gateway that wants in is answered; no socket in it.
 *
 * RFC 7030 (EST), of which these three:
 *
 *     GET  /.well-known/est/cacerts           the authority, to be known by the code's pin
 *     POST /.well-known/est/simpleenroll      HTTP Basic: the unit's id, and its code
 *     POST /.well-known/est/simplereenroll    TLS with the certificate that is to be renewed
 *
 * Who tries in vain has to wait (web/lockout.h), by address; and a code has tries of its own.
 * What the request says of itself beyond its key does not count: the name is the unit's.
 *
 * Threads    one thread at a time
 */
#ifndef FORETRIP_FLEET_ADMISSION_H
#define FORETRIP_FLEET_ADMISSION_H

#include "authority.h"
#include "sql.h"

#include "web/lockout.h"

#define ADMISSION_REALM "foretrip"

struct admission {
    struct authority *authority;
    struct sql *sql;
    int certificate_days;
    struct lockout lockout;
};

struct admission_request {
    const char *method, *path;
    const char *user, *password; /* HTTP Basic; NULL: none */
    const char *body;
    size_t length;
    X509 *peer; /* the certificate of the TLS connection, borrowed; NULL: none */
    const char *address;
    int64_t wall_ms, mono_ms;
};

struct admission_answer {
    int status;
    bool certificates;   /* the body is PKCS #7; else a sentence */
    struct text body;    /* the caller's, to be freed */
    int64_t retry_after; /* seconds; 0: not said */
};

/* Always fills *out, which is zeroed. */
void admission_answer(struct admission *a, const struct admission_request *r,
                      struct admission_answer *out);

#endif
