#include "certificate.h"

#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/x509.h>

#include <stdio.h>

bool certificate_days_left(const char *path, double *days)
{
    int whole = 0, seconds = 0;
    FILE *f = fopen(path, "r");
    X509 *x = f ? PEM_read_X509(f, NULL, NULL, NULL) : NULL;
    bool ok = x && ASN1_TIME_diff(&whole, &seconds, NULL, X509_get0_notAfter(x)) == 1;
    if (ok)
        *days = whole + seconds / 86400.0;
    X509_free(x);
    if (f)
        fclose(f);
    ERR_clear_error();
    return ok;
}
