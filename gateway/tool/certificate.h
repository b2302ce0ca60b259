/*
 * certificate - what a PEM file with a certificate says of itself, by OpenSSL.
 */
#ifndef FORETRIP_TOOL_CERTIFICATE_H
#define FORETRIP_TOOL_CERTIFICATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CERTIFICATE_WHY_SIZE 512

struct certificate {
    char subject[128]; /* "CN = gateway.example" */
    double days_left;  /* of the one in the file that ends first; negative: it has ended */
    double days_until; /* that it holds; 0 or less: it does */
};

/* Every certificate in the file is looked at. False with a sentence in why when it cannot be
 * read or has none. */
bool certificate_look(const char *path, struct certificate *out,
                      char why[CERTIFICATE_WHY_SIZE]);

/* Whether the key (PEM, without a pass phrase) is that of the file's first certificate. */
bool certificate_key_fits(const char *path, const char *key, char why[CERTIFICATE_WHY_SIZE]);

#endif
