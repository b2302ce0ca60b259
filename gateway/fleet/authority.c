#include "authority.h"

#include "base/text.h"

#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/x509v3.h>

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define DIRECTORY_SIZE 512
#define SERIAL_BITS 127 /* positive, and at most 20 octets: RFC 5280, 4.1.2.2 */

struct authority {
    char directory[DIRECTORY_SIZE];
    EVP_PKEY *key;
    X509 *certificate;
};

const char *authority_path(const struct authority *a, const char *file, char *out, size_t size)
{
    snprintf(out, size, "%s/%s", a->directory, file);
    return out;
}

static bool fail(char why[AUTHORITY_WHY_SIZE], const char *what, const char *path)
{
    snprintf(why, AUTHORITY_WHY_SIZE, "%s: %s%s%s", path, what, errno ? ": " : "",
             errno ? strerror(errno) : "");
    return false;
}

/* ---- files ---- */

typedef int write_fn(FILE *f, const void *what);

static int write_key(FILE *f, const void *key)
{
    return PEM_write_PrivateKey(f, key, NULL, NULL, 0, NULL, NULL);
}

static int write_certificate(FILE *f, const void *x)
{
    return PEM_write_X509(f, x);
}

static int write_crl(FILE *f, const void *crl)
{
    return PEM_write_X509_CRL(f, crl);
}

/* The whole file or none of it, on disk when it is there. */
static bool put_file(const struct authority *a, const char *name, mode_t mode, write_fn *writes,
                     const void *what, char why[AUTHORITY_WHY_SIZE])
{
    char path[DIRECTORY_SIZE + 32], made[DIRECTORY_SIZE + 48];
    authority_path(a, name, path, sizeof path);
    snprintf(made, sizeof made, "%s.new%ld", path, (long)getpid());
    errno = 0;
    int fd = open(made, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, mode);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (!f) {
        if (fd >= 0)
            close(fd);
        return fail(why, "cannot be written", made);
    }
    bool good =
        fchmod(fd, mode) == 0 && writes(f, what) == 1 && fflush(f) == 0 && fsync(fd) == 0;
    good = fclose(f) == 0 && good;
    if (good && rename(made, path) == 0)
        return true;
    fail(why, "cannot be written", path);
    unlink(made);
    return false;
}

static void *read_file(const struct authority *a, const char *name, bool key)
{
    char path[DIRECTORY_SIZE + 32];
    errno = 0;
    FILE *f = fopen(authority_path(a, name, path, sizeof path), "re");
    void *what = NULL;
    if (f)
        what = key ? (void *)PEM_read_PrivateKey(f, NULL, NULL, NULL)
                   : (void *)PEM_read_X509(f, NULL, NULL, NULL);
    if (f)
        fclose(f);
    ERR_clear_error();
    return what;
}

/* ---- certificates ---- */

static bool add_extension(X509 *x, X509 *issuer, int nid, const char *value)
{
    X509V3_CTX context;
    X509V3_set_ctx_nodb(&context);
    X509V3_set_ctx(&context, issuer, x, NULL, NULL, 0);
    X509_EXTENSION *e = X509V3_EXT_nconf_nid(NULL, &context, nid, value);
    bool good = e && X509_add_ext(x, e, -1);
    X509_EXTENSION_free(e);
    return good;
}

static bool set_serial(X509 *x, char serial[AUTHORITY_SERIAL_SIZE])
{
    BIGNUM *n = BN_new();
    char *hex = NULL;
    bool good = n && BN_rand(n, SERIAL_BITS, BN_RAND_TOP_ONE, BN_RAND_BOTTOM_ANY) &&
                BN_to_ASN1_INTEGER(n, X509_get_serialNumber(x)) && (hex = BN_bn2hex(n)) &&
                text_copy(serial, AUTHORITY_SERIAL_SIZE, hex);
    OPENSSL_free(hex);
    BN_free(n);
    return good;
}

/* Names it, dates it (from an hour ago: clocks differ) and gives it a number; not signed yet.
 */
static X509 *begin(X509 *issuer, EVP_PKEY *key, const char *name, int days,
                   char serial[AUTHORITY_SERIAL_SIZE])
{
    X509 *x = X509_new();
    X509_NAME *subject = X509_NAME_new();
    bool good = x && subject && X509_set_version(x, X509_VERSION_3) && set_serial(x, serial) &&
                X509_gmtime_adj(X509_getm_notBefore(x), -3600) &&
                X509_time_adj_ex(X509_getm_notAfter(x), days, 0, NULL) &&
                X509_NAME_add_entry_by_txt(subject, "CN", MBSTRING_UTF8,
                                           (const unsigned char *)name, -1, -1, 0) &&
                X509_set_subject_name(x, subject) &&
                X509_set_issuer_name(x, issuer ? X509_get_subject_name(issuer) : subject) &&
                X509_set_pubkey(x, key);
    X509_NAME_free(subject);
    if (good)
        return x;
    X509_free(x);
    return NULL;
}

static X509 *finish(X509 *x, EVP_PKEY *key, bool good)
{
    if (good && X509_sign(x, key, EVP_sha256()) > 0)
        return x;
    X509_free(x);
    return NULL;
}

static X509 *make_ca(EVP_PKEY *key)
{
    char serial[AUTHORITY_SERIAL_SIZE], name[96];
    X509 *x = begin(NULL, key, "foretrip centre", AUTHORITY_CA_DAYS, serial);
    X509_NAME *subject = x ? X509_get_subject_name(x) : NULL;
    snprintf(name, sizeof name, "%.12s", x ? serial : "");
    /* two centres' authorities have two names */
    bool good = x &&
                X509_NAME_add_entry_by_txt(subject, "OU", MBSTRING_ASC,
                                           (const unsigned char *)name, -1, -1, 0) &&
                X509_set_issuer_name(x, subject) &&
                add_extension(x, x, NID_basic_constraints, "critical,CA:TRUE,pathlen:0") &&
                add_extension(x, x, NID_key_usage, "critical,keyCertSign,cRLSign") &&
                add_extension(x, x, NID_subject_key_identifier, "hash");
    return finish(x, key, good);
}

X509 *authority_certificate(const struct authority *a)
{
    return a->certificate;
}

X509 *authority_issue(const struct authority *a, X509_REQ *request, const char *unit, int days,
                      char serial[AUTHORITY_SERIAL_SIZE])
{
    X509 *x = begin(a->certificate, X509_REQ_get0_pubkey(request), unit, days, serial);
    bool good = x &&
                add_extension(x, a->certificate, NID_basic_constraints, "critical,CA:FALSE") &&
                add_extension(x, a->certificate, NID_key_usage, "critical,digitalSignature") &&
                add_extension(x, a->certificate, NID_ext_key_usage, "clientAuth") &&
                add_extension(x, a->certificate, NID_subject_key_identifier, "hash") &&
                add_extension(x, a->certificate, NID_authority_key_identifier, "keyid");
    return finish(x, a->key, good);
}

/* "centre.example 10.0.0.5" to "DNS:centre.example,IP:10.0.0.5" */
static void list_names(const char *names, struct text *out)
{
    for (const char *at = names; *at;) {
        size_t n = strcspn(at, " ");
        bool address = strspn(at, "0123456789.") == n || memchr(at, ':', n);
        if (n > 0)
            text_printf(out, "%s%s:%.*s", out->length ? "," : "", address ? "IP" : "DNS",
                        (int)n, at);
        at += n + (at[n] == ' ');
    }
}

bool authority_certify_server(const struct authority *a, const char *names, int days,
                              char why[AUTHORITY_WHY_SIZE])
{
    char serial[AUTHORITY_SERIAL_SIZE], first[256];
    struct text list = TEXT_INIT;
    EVP_PKEY *key = read_file(a, "server.key", true), *made = key ? NULL : est_make_key();
    snprintf(first, sizeof first, "%.*s", (int)strcspn(names, " "), names);
    list_names(names, &list);
    X509 *x = key || made ? begin(a->certificate, key ? key : made, first, days, serial) : NULL;
    bool good = x && add_extension(x, a->certificate, NID_basic_constraints, "CA:FALSE") &&
                add_extension(x, a->certificate, NID_ext_key_usage, "serverAuth") &&
                add_extension(x, a->certificate, NID_authority_key_identifier, "keyid") &&
                add_extension(x, a->certificate, NID_subject_alt_name, text_get(&list));
    x = finish(x, a->key, good);
    ERR_clear_error();
    if (!x)
        snprintf(why, AUTHORITY_WHY_SIZE,
                 "\"%s\" cannot be certified: names or addresses with blanks between them",
                 names);
    good = x && (!made || put_file(a, "server.key", 0640, write_key, made, why)) &&
           put_file(a, "server.pem", 0644, write_certificate, x, why);
    X509_free(x);
    EVP_PKEY_free(key);
    EVP_PKEY_free(made);
    text_free(&list);
    return good;
}

/* ---- whose a certificate is ---- */

static bool read_names(X509 *x, char unit[64], char serial[AUTHORITY_SERIAL_SIZE])
{
    BIGNUM *n = ASN1_INTEGER_to_BN(X509_get0_serialNumber(x), NULL);
    char *hex = n ? BN_bn2hex(n) : NULL;
    bool good =
        hex && text_copy(serial, AUTHORITY_SERIAL_SIZE, hex) &&
        X509_NAME_get_text_by_NID(X509_get_subject_name(x), NID_commonName, unit, 64) > 0;
    OPENSSL_free(hex);
    BN_free(n);
    return good;
}

bool authority_knows(const struct authority *a, X509 *x, char unit[64],
                     char serial[AUTHORITY_SERIAL_SIZE])
{
    X509_STORE *store = X509_STORE_new();
    X509_STORE_CTX *context = X509_STORE_CTX_new();
    bool good = store && context && X509_STORE_add_cert(store, a->certificate) &&
                X509_STORE_CTX_init(context, store, x, NULL) &&
                X509_STORE_CTX_set_purpose(context, X509_PURPOSE_SSL_CLIENT) &&
                X509_verify_cert(context) == 1 && read_names(x, unit, serial);
    X509_STORE_CTX_free(context);
    X509_STORE_free(store);
    ERR_clear_error();
    return good;
}

/* ---- revoked ---- */

static bool add_revoked(X509_CRL *crl, const struct authority_revoked *r)
{
    X509_REVOKED *entry = X509_REVOKED_new();
    BIGNUM *n = NULL;
    ASN1_INTEGER *serial = NULL;
    ASN1_TIME *time = ASN1_TIME_set(NULL, (time_t)(r->revoked_ms / 1000));
    bool good = entry && time && BN_hex2bn(&n, r->serial) > 0 &&
                (serial = BN_to_ASN1_INTEGER(n, NULL)) &&
                X509_REVOKED_set_serialNumber(entry, serial) &&
                X509_REVOKED_set_revocationDate(entry, time) &&
                X509_CRL_add0_revoked(crl, entry);
    if (!good)
        X509_REVOKED_free(entry);
    ASN1_TIME_free(time);
    ASN1_INTEGER_free(serial);
    BN_free(n);
    return good;
}

static bool number_it(X509_CRL *crl, int64_t number)
{
    ASN1_INTEGER *n = ASN1_INTEGER_new();
    bool good = n && ASN1_INTEGER_set_int64(n, number) &&
                X509_CRL_add1_ext_i2d(crl, NID_crl_number, n, 0, 0);
    ASN1_INTEGER_free(n);
    return good;
}

bool authority_write_crl(const struct authority *a, const struct authority_revoked *list,
                         size_t count, int64_t number, char why[AUTHORITY_WHY_SIZE])
{
    X509_CRL *crl = X509_CRL_new();
    ASN1_TIME *now = ASN1_TIME_set(NULL, (time_t)(number / 1000 - 3600)),
              *next = X509_time_adj_ex(NULL, AUTHORITY_CRL_DAYS, 0, NULL);
    bool good = crl && now && next && X509_CRL_set_version(crl, X509_CRL_VERSION_2) &&
                X509_CRL_set_issuer_name(crl, X509_get_subject_name(a->certificate)) &&
                X509_CRL_set1_lastUpdate(crl, now) && X509_CRL_set1_nextUpdate(crl, next) &&
                number_it(crl, number);
    for (size_t i = 0; good && i < count; i++)
        good = add_revoked(crl, &list[i]);
    good = good && X509_CRL_sort(crl) && X509_CRL_sign(crl, a->key, EVP_sha256()) > 0;
    if (!good)
        snprintf(why, AUTHORITY_WHY_SIZE, "the list of revoked certificates cannot be signed");
    good = good && put_file(a, "crl.pem", 0644, write_crl, crl, why);
    ASN1_TIME_free(now);
    ASN1_TIME_free(next);
    X509_CRL_free(crl);
    return good;
}

/* ---- open and close ---- */

static bool make_all(struct authority *a, char why[AUTHORITY_WHY_SIZE])
{
    errno = 0;
    if (mkdir(a->directory, 0750) != 0 && errno != EEXIST)
        return fail(why, "cannot be made", a->directory);
    a->key = est_make_key();
    a->certificate = a->key ? make_ca(a->key) : NULL;
    if (!a->certificate) {
        snprintf(why, AUTHORITY_WHY_SIZE, "no key can be made: memory is short");
        return false;
    }
    return put_file(a, "ca.key", 0600, write_key, a->key, why) &&
           put_file(a, "ca.pem", 0644, write_certificate, a->certificate, why) &&
           authority_write_crl(a, NULL, 0, (int64_t)time(NULL) * 1000, why);
}

static bool open_all(struct authority *a, bool make, char why[AUTHORITY_WHY_SIZE])
{
    char path[DIRECTORY_SIZE + 32];
    a->key = read_file(a, "ca.key", true);
    if (!a->key && errno == ENOENT && make)
        return make_all(a, why);
    if (!a->key && errno == ENOENT) {
        snprintf(why, AUTHORITY_WHY_SIZE,
                 "%s has no authority yet; foretrip-fleet authority NAME makes it",
                 a->directory);
        return false;
    }
    if (!a->key)
        return fail(why, "no key can be read", authority_path(a, "ca.key", path, sizeof path));
    a->certificate = read_file(a, "ca.pem", false);
    if (a->certificate && X509_check_private_key(a->certificate, a->key) == 1)
        return true;
    return fail(why, "is not the certificate of ca.key",
                authority_path(a, "ca.pem", path, sizeof path));
}

struct authority *authority_open(const char *directory, bool make, char why[AUTHORITY_WHY_SIZE])
{
    struct authority *a = calloc(1, sizeof *a);
    why[0] = '\0';
    if (!a)
        snprintf(why, AUTHORITY_WHY_SIZE, "memory is short");
    else if (!text_copy(a->directory, sizeof a->directory, directory))
        snprintf(why, AUTHORITY_WHY_SIZE, "%.80s..: the path is too long", directory);
    else if (open_all(a, make, why))
        return a;
    authority_close(a);
    return NULL;
}

void authority_close(struct authority *a)
{
    if (!a)
        return;
    EVP_PKEY_free(a->key);
    X509_free(a->certificate);
    free(a);
}
