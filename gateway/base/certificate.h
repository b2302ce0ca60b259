/*
 * certificate - how long a certificate is good.
 *
 * Of a PEM file the first certificate: those after it are of authorities and are renewed by
 * others.
 */
#ifndef FORETRIP_CERTIFICATE_H
#define FORETRIP_CERTIFICATE_H

#include <stdbool.h>

#define CERTIFICATE_SOON_DAYS 30 /* from here on it is said: time to renew it */

/* Days until the certificate ends, fewer than 0 when it has. False when the file cannot be
 * read or has none. */
bool certificate_days_left(const char *path, double *days);

#endif
