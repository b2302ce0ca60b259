#include "certificate.h"

#include <errno.h>
#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/x509.h>
#include <stdio.h>
#include <string.h>

static double days_to(const ASN1_TIME *t)
{
    int days = 0, seconds = 0;
    if (!ASN1_TIME_diff(&days, &seconds, NULL, t))
        return 0.0;
    return days + seconds / 86400.0;
}

static FILE *open_or_say(const char *path, char why[CERTIFICATE_WHY_SIZE])
{
    FILE *f = fopen(path, "r");
    if (!f)
        snprintf(why, CERTIFICATE_WHY_SIZE, "%.300s cannot be read: %s", path, strerror(errno));
    return f;
}

bool certificate_look(const char *path, struct certificate *out, char why[CERTIFICATE_WHY_SIZE])
{
    FILE *f = open_or_say(path, why);
    X509 *x;
    size_t count = 0;
    if (!f)
        return false;
    while ((x = PEM_read_X509(f, NULL, NULL, NULL)) != NULL) {
        double left = days_to(X509_get0_notAfter(x)), until = days_to(X509_get0_notBefore(x));
        if (count == 0)
            X509_NAME_oneline(X509_get_subject_name(x), out->subject, sizeof out->subject);
        out->days_left = count == 0 || left < out->days_left ? left : out->days_left;
        out->days_until = count == 0 || until > out->days_until ? until : out->days_until;
        count++;
        X509_free(x);
    }
    ERR_clear_error(); /* the end of the file is one */
    fclose(f);
    if (count == 0)
        snprintf(why, CERTIFICATE_WHY_SIZE, "%.300s holds no certificate (PEM)", path);
    return count > 0;
}

/* a key with a pass phrase is of no use to a daemon, and nobody is asked for one */
static int no_phrase(char *buffer, int size, int writing, void *context)
{
    (void)buffer, (void)size, (void)writing, (void)context;
    return -1;
}

bool certificate_key_fits(const char *path, const char *key, char why[CERTIFICATE_WHY_SIZE])
{
    FILE *f = open_or_say(path, why), *k = f ? open_or_say(key, why) : NULL;
    X509 *x = f ? PEM_read_X509(f, NULL, NULL, NULL) : NULL;
    EVP_PKEY *p = k ? PEM_read_PrivateKey(k, NULL, no_phrase, NULL) : NULL;
    bool fits = x && p && X509_check_private_key(x, p) == 1;
    if (f && k && !fits)
        snprintf(why, CERTIFICATE_WHY_SIZE,
                 p ? "%.200s is not the key of %.200s"
                   : "%.200s holds no key (PEM, without a pass phrase) for %.200s",
                 key, path);
    EVP_PKEY_free(p);
    X509_free(x);
    ERR_clear_error();
    if (k)
        fclose(k);
    if (f)
        fclose(f);
    return fits;
}
