/*
 * authority - the centre's own certificate authority: a key, its certificate, what it signs.
 *
 * In one directory, which only the centre's account can read:
 *
 *     ca.key       the authority's key, P-256
 *     ca.pem       its certificate; brokers and gateways trust it
 *     crl.pem      what has been revoked; the broker reads it
 *     server.key, server.pem     of the broker and of whoever admits gateways
 *
 * A unit's certificate has the unit's id as its common name, so that a broker takes it for the
 * account's name, and serves as a client's alone (extended key usage). Serial numbers are
 * random, 127 bits. What was issued is written down by enrolment.h; nothing here knows a
 * database.
 *
 * Ownership  authority_open .. authority_close
 * Threads    one thread at a time
 */
#ifndef FORETRIP_FLEET_AUTHORITY_H
#define FORETRIP_FLEET_AUTHORITY_H

#include "base/est.h"

#include <stdint.h>

#define AUTHORITY_WHY_SIZE 600
#define AUTHORITY_SERIAL_SIZE 41
#define AUTHORITY_CA_DAYS 7300
#define AUTHORITY_CRL_DAYS 30

struct authority;

/* make: the key and the certificate are made where there are none. NULL with a sentence in why.
 */
struct authority *authority_open(const char *directory, bool make,
                                 char why[AUTHORITY_WHY_SIZE]);
void authority_close(struct authority *a); /* accepts NULL */

X509 *authority_certificate(const struct authority *a);
const char *authority_path(const struct authority *a, const char *file, char *out, size_t size);

/* Signs the request's key for the unit; serial in hexadecimal. NULL when it cannot. */
X509 *authority_issue(const struct authority *a, X509_REQ *request, const char *unit, int days,
                      char serial[AUTHORITY_SERIAL_SIZE]);

/* server.key and server.pem for these names and addresses, with blanks between them; the key is
 * kept where there is one. False with a sentence in why. */
bool authority_certify_server(const struct authority *a, const char *names, int days,
                              char why[AUTHORITY_WHY_SIZE]);

/* Whether it is one of ours, for a client, and not over; and its unit and serial. */
bool authority_knows(const struct authority *a, X509 *x, char unit[64],
                     char serial[AUTHORITY_SERIAL_SIZE]);

struct authority_revoked {
    char serial[AUTHORITY_SERIAL_SIZE];
    int64_t revoked_ms;
};
/* crl.pem anew, in one step for whoever reads it. number grows from list to list. */
bool authority_write_crl(const struct authority *a, const struct authority_revoked *list,
                         size_t count, int64_t number, char why[AUTHORITY_WHY_SIZE]);

#endif
