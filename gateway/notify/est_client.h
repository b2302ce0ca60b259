/*
 * est_client - a gateway asks its centre for a certificate (RFC 7030), by libcurl.
 *
 * The centre is first known by the pin of the code (base/est.h): what it calls its authority is
 * fetched from anybody who answers there, and taken only when it fits. All else goes over TLS
 * that this authority vouches for. What is given is looked at before it is taken: signed by
 * that authority, for this unit, for the key that was sent.
 *
 * Ownership  what is returned is the caller's
 * Errors     a sentence
 */
#ifndef FORETRIP_EST_CLIENT_H
#define FORETRIP_EST_CLIENT_H

#include "base/est.h"

#define EST_CLIENT_WHY_SIZE 400

/* "https://centre.example:8443", also without the scheme; out gets it in full and without a
 * slash at its end. False when it is no such address. */
bool est_client_address(const char *given, char *out, size_t size);

/* The authority whose pin it is; NULL with a sentence. */
X509 *est_client_authority(const char *address, const char *pin, char why[EST_CLIENT_WHY_SIZE]);

struct est_client {
    const char *address;
    const char *ca; /* path of the authority's certificate */
    const char *unit;
    const char *code; /* as typed; NULL: renewal, by */
    const char *pem;  /* path of the certificate and key that are there */
};

/* A certificate for the key; NULL with a sentence. */
X509 *est_client_ask(const struct est_client *c, EVP_PKEY *key, char why[EST_CLIENT_WHY_SIZE]);

#endif
