#include "est_client.h"

#include "curl_late.h"

#include <openssl/err.h>
#include <openssl/pem.h>

#include <curl/curl.h>

#include <stdio.h>
#include <string.h>

#define PATIENCE_S 30L
#define MOST_ANSWER 16384

bool est_client_address(const char *given, char *out, size_t size)
{
    const char *host = strncmp(given, "https://", 8) == 0 ? given + 8 : given;
    size_t n = strcspn(host, "/");
    if (n == 0 || strstr(host, "://") || strpbrk(host, " @?#\\\"") ||
        (host[n] == '/' && host[n + 1] != '\0'))
        return false;
    int wrote = snprintf(out, size, "https://%.*s", (int)n, host);
    return wrote > 0 && (size_t)wrote < size;
}

struct transfer {
    const struct curl_late *curl;
    CURL *easy;
    struct curl_slist *headers;
    struct text body;
    char error[CURL_ERROR_SIZE];
};

static size_t take(char *bytes, size_t one, size_t count, void *context)
{
    struct transfer *t = context;
    if (t->body.length + one * count > MOST_ANSWER)
        return 0;
    text_append_bytes(&t->body, bytes, one * count);
    return t->body.failed ? 0 : one * count;
}

#define SET(t, option, value)                                                                  \
    (void)(t)->curl->easy_setopt((t)->easy, option, value) /* fails for want of memory alone   \
                                                            */

static bool begin(struct transfer *t, const char *address, const char *path,
                  char why[EST_CLIENT_WHY_SIZE])
{
    struct text url = TEXT_INIT;
    const char *missing = "";
    t->curl = curl_late(&missing);
    if (t->curl)
        t->easy = t->curl->easy_init();
    text_printf(&url, "%s%s", address, path);
    if (!t->easy || url.failed) {
        snprintf(why, EST_CLIENT_WHY_SIZE, "%s", missing[0] ? missing : "memory is short");
        text_free(&url);
        return false;
    }
    SET(t, CURLOPT_URL, text_get(&url));
    SET(t, CURLOPT_PROTOCOLS_STR, "https");
    SET(t, CURLOPT_TIMEOUT, PATIENCE_S);
    SET(t, CURLOPT_NOSIGNAL, 1L);
    SET(t, CURLOPT_ERRORBUFFER, t->error);
    SET(t, CURLOPT_USERAGENT, "foretrip/" FORETRIP_VERSION);
    SET(t, CURLOPT_WRITEFUNCTION, take);
    SET(t, CURLOPT_WRITEDATA, t);
    text_free(&url);
    return true;
}

static void end(struct transfer *t)
{
    if (t->curl) {
        t->curl->easy_cleanup(t->easy);
        t->curl->slist_free_all(t->headers);
    }
    text_free(&t->body);
}

/* the centre's own sentence, in one line */
static void say_refused(struct transfer *t, const char *address, long status,
                        char why[EST_CLIENT_WHY_SIZE])
{
    for (size_t i = 0; i < t->body.length; i++)
        if ((unsigned char)t->body.bytes[i] < 0x20 || t->body.bytes[i] == 0x7f)
            t->body.bytes[i] = ' ';
    snprintf(why, EST_CLIENT_WHY_SIZE, "%s answers %ld: %.200s", address, status,
             text_get(&t->body));
}

static bool perform(struct transfer *t, const char *address, char why[EST_CLIENT_WHY_SIZE])
{
    long status = 0;
    CURLcode code = t->curl->easy_perform(t->easy);
    (void)t->curl->easy_getinfo(t->easy, CURLINFO_RESPONSE_CODE, &status);
    if (code != CURLE_OK)
        snprintf(why, EST_CLIENT_WHY_SIZE, "%s: %s", address,
                 t->error[0] ? t->error : t->curl->easy_strerror(code));
    else if (status != 200)
        say_refused(t, address, status, why);
    return code == CURLE_OK && status == 200;
}

static void free_all(X509 *const *list, size_t count)
{
    for (size_t i = 0; i < count; i++)
        X509_free(list[i]);
}

X509 *est_client_authority(const char *address, const char *pin, char why[EST_CLIENT_WHY_SIZE])
{
    struct transfer t = {0};
    X509 *list[EST_MOST_CERTIFICATES], *found = NULL;
    char its[EST_PIN_SIZE];
    if (begin(&t, address, EST_CACERTS, why)) {
        SET(&t, CURLOPT_SSL_VERIFYPEER, 0L); /* the pin says who it is */
        SET(&t, CURLOPT_SSL_VERIFYHOST, 0L);
        if (perform(&t, address, why)) {
            size_t count = est_certificates_read(text_get(&t.body), t.body.length, list);
            for (size_t i = 0; i < count && !found; i++) {
                est_pin(list[i], its);
                if (strcmp(its, pin) == 0 && X509_up_ref(list[i]))
                    found = list[i];
            }
            free_all(list, count);
            if (!found)
                snprintf(why, EST_CLIENT_WHY_SIZE,
                         "%s is not the centre that made the code: nothing was sent to it",
                         address);
        }
    }
    end(&t);
    return found;
}

/* NULL: it is what was asked for */
static const char *fault_of(X509 *x, X509 *ca, EVP_PKEY *key, const char *unit)
{
    char name[128] = "";
    if (!x || !ca)
        return "no certificate came";
    X509_NAME_get_text_by_NID(X509_get_subject_name(x), NID_commonName, name, sizeof name);
    if (strcmp(name, unit) != 0)
        return "the certificate is another unit's";
    if (X509_check_private_key(x, key) != 1)
        return "the certificate is for another key";
    if (X509_verify(x, X509_get0_pubkey(ca)) != 1)
        return "the certificate is not signed by the centre's authority";
    return NULL;
}

static X509 *read_answer(const struct est_client *c, const struct transfer *t, EVP_PKEY *key,
                         char why[EST_CLIENT_WHY_SIZE])
{
    X509 *list[EST_MOST_CERTIFICATES];
    size_t count = est_certificates_read(text_get(&t->body), t->body.length, list);
    FILE *f = fopen(c->ca, "re");
    X509 *ca = f ? PEM_read_X509(f, NULL, NULL, NULL) : NULL;
    const char *fault = fault_of(count ? list[0] : NULL, ca, key, c->unit);
    X509 *found = NULL;
    if (fault)
        snprintf(why, EST_CLIENT_WHY_SIZE, "%s: %s", c->address, fault);
    else if (X509_up_ref(list[0]))
        found = list[0];
    free_all(list, count);
    X509_free(ca);
    if (f)
        fclose(f);
    ERR_clear_error();
    return found;
}

static void set_login(struct transfer *t, const struct est_client *c)
{
    SET(t, CURLOPT_CAINFO, c->ca);
    if (c->code) {
        SET(t, CURLOPT_HTTPAUTH, CURLAUTH_BASIC);
        SET(t, CURLOPT_USERNAME, c->unit);
        SET(t, CURLOPT_PASSWORD, c->code);
    } else {
        SET(t, CURLOPT_SSLCERT, c->pem);
        SET(t, CURLOPT_SSLKEY, c->pem);
    }
}

X509 *est_client_ask(const struct est_client *c, EVP_PKEY *key, char why[EST_CLIENT_WHY_SIZE])
{
    struct transfer t = {0};
    struct text request = TEXT_INIT;
    X509 *x = NULL;
    if (!est_request_write(key, c->unit, &request)) {
        snprintf(why, EST_CLIENT_WHY_SIZE, "memory is short");
    } else if (begin(&t, c->address, c->code ? EST_ENROLL : EST_REENROLL, why)) {
        set_login(&t, c);
        t.headers = t.curl->slist_append(NULL, "Content-Type: application/pkcs10");
        SET(&t, CURLOPT_HTTPHEADER, t.headers);
        SET(&t, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)request.length);
        SET(&t, CURLOPT_POSTFIELDS, request.bytes);
        if (perform(&t, c->address, why))
            x = read_answer(c, &t, key, why);
    }
    end(&t);
    text_free(&request);
    return x;
}
