/*
 * est - the forms in which certificates are asked for and given: RFC 7030 (Enrollment over
 * Secure Transport), as far as a gateway and its centre need it.
 *
 *     request   PKCS #10, DER, in base64
 *     answer    PKCS #7 of certificates alone ("certs-only"), DER, in base64
 *
 * And the code that a unit is enrolled with, made at the centre and typed or pasted once:
 *
 *     4F7K-0M2Q-X9TA  3JRW-Y81B-6ZCD  K7QP-M3WX-5T9A-0BHN-2R4V
 *     ticket          secret          pin
 *
 * The ticket says which code it is, the secret proves it, and the pin is the beginning (100
 * bits) of the SHA-256 of the centre's authority, so that a gateway knows the centre before it
 * has anything of it (RFC 7030, 4.1.1: bootstrap). Letters and digits of base 32 without I, L,
 * O and U; small letters, blanks and dashes do not matter.
 *
 * OpenSSL does all of it. Pure but for the random numbers of est_make_key.
 *
 * Ownership  what is returned is the caller's
 */
#ifndef FORETRIP_EST_H
#define FORETRIP_EST_H

#include "text.h"

#include <openssl/evp.h>
#include <openssl/x509.h>

#define EST_CACERTS "/.well-known/est/cacerts"
#define EST_ENROLL "/.well-known/est/simpleenroll"
#define EST_REENROLL "/.well-known/est/simplereenroll"
#define EST_MOST_BODY 8192
#define EST_MOST_CERTIFICATES 4

#define EST_PART_SIZE 15 /* "4F7K-0M2Q-X9TA" */
#define EST_PIN_SIZE 21
#define EST_CODE_SIZE 56

struct est_code {
    char ticket[EST_PART_SIZE], secret[EST_PART_SIZE]; /* in groups, as web/code.h makes them */
    char pin[EST_PIN_SIZE];                            /* without groups */
};

/* False when it is none. */
bool est_code_read(const char *typed, struct est_code *out);
void est_code_write(const struct est_code *c, char out[EST_CODE_SIZE]);

/* Of a certificate. */
void est_pin(X509 *x, char out[EST_PIN_SIZE]);

/* A key on the curve P-256. NULL when there is none to be had. */
EVP_PKEY *est_make_key(void);

/* A request for the name, signed by the key, in base64. False when memory is short. */
bool est_request_write(EVP_PKEY *key, const char *name, struct text *out);

/* The request in base64, whose signature is its own key's: at least P-256, or RSA of 2048 bits.
 * NULL with a sentence in why. */
#define EST_WHY_SIZE 160
X509_REQ *est_request_read(const char *body, size_t length, char why[EST_WHY_SIZE]);

/* "certs-only" of the certificates, in base64; false when memory is short. */
bool est_certificates_write(X509 *const *certificates, size_t count, struct text *out);

/* The certificates of an answer, at most EST_MOST_CERTIFICATES; how many there are, 0 when it
 * cannot be read. */
size_t est_certificates_read(const char *body, size_t length, X509 *out[EST_MOST_CERTIFICATES]);

#endif
