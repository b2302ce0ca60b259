#include "est.h"

#include <openssl/err.h>
#include <openssl/pkcs7.h>
#include <openssl/sha.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char alphabet[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
#define PART_LETTERS 12
#define CODE_LETTERS (2 * PART_LETTERS + EST_PIN_SIZE - 1)
#define LEAST_RSA_BITS 2048
#define LEAST_EC_BITS 256

/* ---- the code ---- */

/* as it stands in the alphabet; 0: no letter of a code */
static char plain(char c)
{
    if (c >= 'a' && c <= 'z')
        c = (char)(c - 'a' + 'A');
    c = c == 'O' ? '0' : c == 'I' || c == 'L' ? '1' : c;
    return c && strchr(alphabet, c) ? c : '\0';
}

/* "4F7K0M2QX9TA" in groups of four */
static void group(const char *letters, int count, char *out)
{
    for (int i = 0; i < count; i++) {
        if (i > 0 && i % 4 == 0)
            *out++ = '-';
        *out++ = letters[i];
    }
    *out = '\0';
}

bool est_code_read(const char *typed, struct est_code *out)
{
    char letters[CODE_LETTERS + 1];
    int n = 0;
    for (; *typed; typed++) {
        if (*typed == '-' || *typed == ' ')
            continue;
        char c = plain(*typed);
        if (!c || n == CODE_LETTERS)
            return false;
        letters[n++] = c;
    }
    letters[n] = '\0';
    if (n != CODE_LETTERS)
        return false;
    group(letters, PART_LETTERS, out->ticket);
    group(letters + PART_LETTERS, PART_LETTERS, out->secret);
    memcpy(out->pin, letters + 2 * (ptrdiff_t)PART_LETTERS, EST_PIN_SIZE);
    return true;
}

void est_code_write(const struct est_code *c, char out[EST_CODE_SIZE])
{
    char pin[EST_PIN_SIZE + EST_PIN_SIZE / 4];
    group(c->pin, EST_PIN_SIZE - 1, pin);
    snprintf(out, EST_CODE_SIZE, "%s-%s-%s", c->ticket, c->secret, pin);
}

void est_pin(X509 *x, char out[EST_PIN_SIZE])
{
    unsigned char digest[EVP_MAX_MD_SIZE] = {0};
    unsigned int n = 0;
    X509_digest(x, EVP_sha256(), digest, &n);
    for (int i = 0; i < EST_PIN_SIZE - 1; i++) { /* five bits each, the first first */
        int bit = i * 5, byte = bit / 8, left = 11 - bit % 8;
        out[i] = alphabet[((digest[byte] << 8 | digest[byte + 1]) >> left) & 31];
    }
    out[EST_PIN_SIZE - 1] = '\0';
}

/* ---- base 64 ---- */

static bool encode(const unsigned char *der, int length, struct text *out)
{
    size_t room = 4 * ((size_t)length + 2) / 3 + 1;
    unsigned char *text = length > 0 ? malloc(room) : NULL;
    if (!text)
        return false;
    EVP_EncodeBlock(text, der, length);
    for (const char *at = (const char *)text; *at;) { /* in lines of 64, as PEM has them */
        size_t n = strlen(at) < 64 ? strlen(at) : 64;
        text_append_bytes(out, at, n);
        text_append(out, "\n");
        at += n;
    }
    free(text);
    return !out->failed;
}

/* malloc'ed; NULL when it is none */
static unsigned char *decode(const char *body, size_t length, long *out_length)
{
    EVP_ENCODE_CTX *context = EVP_ENCODE_CTX_new();
    unsigned char *out = malloc(length + 3);
    int n = 0, rest = 0;
    bool good = context && out && length <= EST_MOST_BODY * (size_t)2;
    if (good) {
        EVP_DecodeInit(context);
        good =
            EVP_DecodeUpdate(context, out, &n, (const unsigned char *)body, (int)length) >= 0 &&
            EVP_DecodeFinal(context, out + n, &rest) == 1 && n + rest > 0;
    }
    EVP_ENCODE_CTX_free(context);
    *out_length = n + rest;
    if (good)
        return out;
    free(out);
    return NULL;
}

/* ---- requests ---- */

EVP_PKEY *est_make_key(void)
{
    return EVP_EC_gen("P-256");
}

bool est_request_write(EVP_PKEY *key, const char *name, struct text *out)
{
    X509_REQ *r = X509_REQ_new();
    X509_NAME *subject = X509_NAME_new();
    unsigned char *der = NULL;
    bool good = r && subject && X509_REQ_set_version(r, 0) &&
                X509_NAME_add_entry_by_txt(subject, "CN", MBSTRING_ASC,
                                           (const unsigned char *)name, -1, -1, 0) &&
                X509_REQ_set_subject_name(r, subject) && X509_REQ_set_pubkey(r, key) &&
                X509_REQ_sign(r, key, EVP_sha256()) > 0;
    int n = good ? i2d_X509_REQ(r, &der) : 0;
    good = n > 0 && encode(der, n, out);
    OPENSSL_free(der);
    X509_NAME_free(subject);
    X509_REQ_free(r);
    return good;
}

static const char *fault_of(X509_REQ *r)
{
    EVP_PKEY *key = r ? X509_REQ_get0_pubkey(r) : NULL;
    if (!key)
        return "the request is no PKCS #10 in base64";
    int type = EVP_PKEY_get_base_id(key), bits = EVP_PKEY_get_bits(key);
    if (!(type == EVP_PKEY_EC && bits >= LEAST_EC_BITS) &&
        !(type == EVP_PKEY_RSA && bits >= LEAST_RSA_BITS))
        return "its key is too weak: P-256, or RSA of 2048 bits, at the least";
    if (X509_REQ_verify(r, key) != 1)
        return "the request is not signed by its own key";
    return NULL;
}

X509_REQ *est_request_read(const char *body, size_t length, char why[EST_WHY_SIZE])
{
    long n = 0;
    unsigned char *der = length <= EST_MOST_BODY ? decode(body, length, &n) : NULL;
    const unsigned char *at = der;
    X509_REQ *r = der ? d2i_X509_REQ(NULL, &at, n) : NULL;
    const char *fault = r && at != der + n ? "something is behind the request" : fault_of(r);
    free(der);
    ERR_clear_error();
    if (!fault)
        return r;
    snprintf(why, EST_WHY_SIZE, "%s", fault);
    X509_REQ_free(r);
    return NULL;
}

/* ---- answers ---- */

bool est_certificates_write(X509 *const *certificates, size_t count, struct text *out)
{
    PKCS7 *p = PKCS7_new();
    unsigned char *der = NULL;
    bool good =
        p && PKCS7_set_type(p, NID_pkcs7_signed) && PKCS7_content_new(p, NID_pkcs7_data);
    for (size_t i = 0; good && i < count; i++)
        good = PKCS7_add_certificate(p, certificates[i]);
    if (good) /* no content and nobody's signature (RFC 5652 calls it degenerate) */
        PKCS7_set_detached(p, 1);
    int n = good ? i2d_PKCS7(p, &der) : 0;
    good = n > 0 && encode(der, n, out);
    OPENSSL_free(der);
    PKCS7_free(p);
    return good;
}

size_t est_certificates_read(const char *body, size_t length, X509 *out[EST_MOST_CERTIFICATES])
{
    long n = 0;
    size_t count = 0;
    unsigned char *der = decode(body, length, &n);
    const unsigned char *at = der;
    PKCS7 *p = der ? d2i_PKCS7(NULL, &at, n) : NULL;
    STACK_OF(X509) *list = p && PKCS7_type_is_signed(p) && p->d.sign ? p->d.sign->cert : NULL;
    for (int i = 0; i < sk_X509_num(list) && count < EST_MOST_CERTIFICATES; i++) {
        X509 *x = sk_X509_value(list, i);
        if (X509_up_ref(x))
            out[count++] = x;
    }
    PKCS7_free(p);
    free(der);
    ERR_clear_error();
    return count;
}
