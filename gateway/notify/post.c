#include "post.h"

#include "curl_late.h"
#include "letter.h"
#include "secret.h"

#include "base/text.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define SOCKETS 4      /* of one attempt: addresses are tried side by side */
#define REPLY_MOST 200 /* of what the other side says, kept for the reason */

struct post {
    const struct curl_late *curl;
    CURL *easy;
    enum post_way way;
    struct text body;
    size_t sent;                    /* bytes of the mail handed to libcurl */
    struct curl_slist *list;        /* recipients or headers */
    curl_socket_t sockets[SOCKETS]; /* open ones, CURL_SOCKET_BAD for none */
    bool cut;
    pthread_mutex_t lock; /* guards the two above: cut is another thread's */
    char error[CURL_ERROR_SIZE];
    char reply[REPLY_MOST + 1]; /* SMTP: the last line that says no */
};

static size_t give_mail(char *out, size_t size, size_t count, void *context)
{
    struct post *p = context;
    size_t n =
        p->body.length - p->sent < size * count ? p->body.length - p->sent : size * count;
    memcpy(out, p->body.bytes + p->sent, n);
    p->sent += n;
    return n;
}

/* the last line that says no, without what would upset a log */
static size_t take_reply(char *bytes, size_t size, size_t count, void *context)
{
    struct post *p = context;
    size_t n = 0;
    if (size * count == 0 || (bytes[0] != '4' && bytes[0] != '5'))
        return size * count;
    for (size_t i = 0; i < size * count && n < REPLY_MOST; i++)
        if ((unsigned char)bytes[i] >= 0x20 && (unsigned char)bytes[i] < 0x7f)
            p->reply[n++] = bytes[i];
    if (n > 0)
        p->reply[n] = '\0';
    return size * count;
}

static size_t pass_over(char *bytes, size_t size, size_t count, void *context)
{
    (void)bytes;
    (void)context;
    return size * count;
}

/* true when there was a place with that in it */
static bool put_socket(struct post *p, curl_socket_t was, curl_socket_t is)
{
    bool found = false;
    for (int i = 0; i < SOCKETS && !found; i++) {
        found = p->sockets[i] == was;
        if (found)
            p->sockets[i] = is;
    }
    return found;
}

static int note_socket(void *context, curl_socket_t fd, curlsocktype purpose)
{
    struct post *p = context;
    (void)purpose;
    pthread_mutex_lock(&p->lock);
    bool ok = !p->cut && put_socket(p, CURL_SOCKET_BAD, fd); /* else it could not be cut */
    pthread_mutex_unlock(&p->lock);
    return ok ? CURL_SOCKOPT_OK : CURL_SOCKOPT_ERROR;
}

static int close_socket(void *context, curl_socket_t fd)
{
    struct post *p = context;
    pthread_mutex_lock(&p->lock);
    put_socket(p, fd, CURL_SOCKET_BAD);
    int rc = close(fd);
    pthread_mutex_unlock(&p->lock);
    return rc;
}

void post_cut(struct post *p)
{
    pthread_mutex_lock(&p->lock);
    p->cut = true;
    for (int i = 0; i < SOCKETS; i++)
        if (p->sockets[i] != CURL_SOCKET_BAD)
            shutdown(p->sockets[i], SHUT_RDWR);
    pthread_mutex_unlock(&p->lock);
}

#define SET(p, option, value)                                                                  \
    (void)(p)->curl->easy_setopt((p)->easy, option, value) /* fails for want of memory alone   \
                                                            */

static bool add_to_list(struct post *p, const char *line)
{
    struct curl_slist *grown = p->curl->slist_append(p->list, line);
    if (grown)
        p->list = grown;
    return grown != NULL;
}

static void set_common(struct post *p, const struct post_letter *l, const char *ca)
{
    long timeout_ms = l->timeout_ms > 0 ? l->timeout_ms : POST_TIMEOUT_MS;
    SET(p, CURLOPT_NOSIGNAL, 1L);
    SET(p, CURLOPT_PROXY, "");
    SET(p, CURLOPT_ERRORBUFFER, p->error);
    SET(p, CURLOPT_TIMEOUT_MS, timeout_ms);
    SET(p, CURLOPT_CONNECTTIMEOUT_MS, timeout_ms);
    SET(p, CURLOPT_SOCKOPTFUNCTION, note_socket);
    SET(p, CURLOPT_SOCKOPTDATA, p);
    SET(p, CURLOPT_CLOSESOCKETFUNCTION, close_socket);
    SET(p, CURLOPT_CLOSESOCKETDATA, p);
    SET(p, CURLOPT_FRESH_CONNECT, 1L);
    SET(p, CURLOPT_FORBID_REUSE, 1L);
    SET(p, CURLOPT_SSLVERSION, (long)CURL_SSLVERSION_TLSv1_2);
    SET(p, CURLOPT_WRITEFUNCTION, pass_over);
    SET(p, CURLOPT_HEADERFUNCTION, take_reply);
    SET(p, CURLOPT_HEADERDATA, p);
    if (ca[0])
        SET(p, CURLOPT_CAINFO, ca);
}

static bool set_login(struct post *p, const struct delivery_mail *m, char why[POST_WHY_SIZE])
{
    char password[SECRET_SIZE];
    if (m->username[0] == '\0')
        return true;
    if (!secret_read(m->password_file, "the password", password, why, POST_WHY_SIZE))
        return false;
    SET(p, CURLOPT_USERNAME, m->username);
    SET(p, CURLOPT_PASSWORD, password);
    explicit_bzero(password, sizeof password);
    return true;
}

static bool set_mail(struct post *p, const struct post_letter *l, char why[POST_WHY_SIZE])
{
    const struct delivery_mail *m = l->mail;
    char url[DELIVERY_HOST_SIZE + 64], recipient[DELIVERY_HOST_SIZE + 4],
        from[DELIVERY_HOST_SIZE + 4];
    const char *domain = strrchr(m->from, '@');
    /* the path is what the client calls itself in EHLO */
    snprintf(url, sizeof url, "%s://%s:%d/%.40s",
             m->security == SECURITY_TLS ? "smtps" : "smtp", m->host, m->port,
             domain ? domain + 1 : "localhost");
    snprintf(recipient, sizeof recipient, "<%s>", l->person->mail);
    snprintf(from, sizeof from, "<%s>", m->from);
    const struct letter_envelope envelope = {.from = m->from,
                                             .from_name = l->site_name,
                                             .to = l->person->mail,
                                             .to_name = l->person->name,
                                             .id = l->id,
                                             .wall_ms = l->wall_ms,
                                             .lost = l->lost};
    if (!letter_to_mail(l->payload, &envelope, &p->body) || !add_to_list(p, recipient)) {
        snprintf(why, POST_WHY_SIZE, "the letter cannot be put together");
        return false;
    }
    set_common(p, l, m->ca);
    SET(p, CURLOPT_URL, url);
    SET(p, CURLOPT_PROTOCOLS_STR, "smtp,smtps");
    SET(p, CURLOPT_USE_SSL,
        (long)(m->security == SECURITY_NONE ? CURLUSESSL_NONE : CURLUSESSL_ALL));
    SET(p, CURLOPT_MAIL_FROM, from);
    SET(p, CURLOPT_MAIL_RCPT, p->list);
    SET(p, CURLOPT_UPLOAD, 1L);
    SET(p, CURLOPT_READFUNCTION, give_mail);
    SET(p, CURLOPT_READDATA, p);
    return set_login(p, m, why);
}

static bool set_token(struct post *p, const char *file, char why[POST_WHY_SIZE])
{
    char token[SECRET_SIZE], header[SECRET_SIZE + 32];
    if (file[0] == '\0')
        return true;
    if (!secret_read(file, "the token", token, why, POST_WHY_SIZE))
        return false;
    snprintf(header, sizeof header, "Authorization: Bearer %s", token);
    bool ok = add_to_list(p, header);
    explicit_bzero(token, sizeof token);
    explicit_bzero(header, sizeof header);
    return ok;
}

static bool set_webhook(struct post *p, const struct post_letter *l, char why[POST_WHY_SIZE])
{
    struct text key = TEXT_INIT;
    const struct letter_envelope envelope = {
        .from = "", .to = "", .to_name = "", .id = l->id, .lost = l->lost};
    text_append(&key, "Idempotency-Key: ");
    letter_id(l->site_id, l->id, &key);
    bool ok = letter_to_webhook(l->payload, &envelope, &p->body) &&
              add_to_list(p, "Content-Type: application/json") && add_to_list(p, "Expect:") &&
              add_to_list(p, "User-Agent: foretrip/" FORETRIP_VERSION) &&
              add_to_list(p, text_get(&key));
    text_free(&key);
    if (!ok) {
        snprintf(why, POST_WHY_SIZE, "the letter cannot be put together");
        return false;
    }
    if (!set_token(p, l->person->token_file, why))
        return false;
    set_common(p, l, l->person->webhook_ca);
    SET(p, CURLOPT_URL, l->person->webhook);
    SET(p, CURLOPT_PROTOCOLS_STR, "http,https");
    SET(p, CURLOPT_HTTPHEADER, p->list);
    SET(p, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)p->body.length);
    SET(p, CURLOPT_POSTFIELDS, p->body.bytes);
    return true;
}

struct post *post_create(const struct post_letter *l, char why[POST_WHY_SIZE])
{
    struct post *p = calloc(1, sizeof *p);
    const char *missing = "";
    why[0] = '\0';
    if (!p || !(p->curl = curl_late(&missing)) || !(p->easy = p->curl->easy_init())) {
        snprintf(why, POST_WHY_SIZE, "%s", missing[0] ? missing : "memory is short");
        free(p);
        return NULL;
    }
    pthread_mutex_init(&p->lock, NULL);
    p->way = l->way;
    for (int i = 0; i < SOCKETS; i++)
        p->sockets[i] = CURL_SOCKET_BAD;
    if (l->way == POST_MAIL ? set_mail(p, l, why) : set_webhook(p, l, why))
        return p;
    post_destroy(p);
    return NULL;
}

void post_destroy(struct post *p)
{
    if (!p)
        return;
    p->curl->easy_cleanup(p->easy);
    pthread_mutex_destroy(&p->lock);
    p->curl->slist_free_all(p->list);
    text_free(&p->body);
    free(p);
}

CURLcode post_run(struct post *p)
{
    return p->curl->easy_perform(p->easy);
}

/* RFC 5321 4.2.1, 4.2.3: the mailbox or the message is not wanted, now and ever. What a login,
 * a greeting or a busy server says may change. */
static bool mail_is_refused(CURLcode code, long reply)
{
    /* 554 as a greeting: no mail is taken here, for now */
    return (reply >= 550 && reply <= 556 &&
            !(reply == 554 && code == CURLE_WEIRD_SERVER_REPLY)) ||
           reply == 501;
}

/* RFC 9110 15.5: the fault is the request's; 401, 403, 404 may be mended in the configuration.
 */
static bool hook_is_refused(long status)
{
    return status == 400 || status == 405 || status == 410 || status == 413 || status == 415 ||
           status == 422;
}

enum post_result post_judge(struct post *p, CURLcode code, char why[POST_WHY_SIZE])
{
    long reply = 0;
    (void)p->curl->easy_getinfo(p->easy, CURLINFO_RESPONSE_CODE, &reply);
    why[0] = '\0';
    if (p->way == POST_WEBHOOK && code == CURLE_OK) {
        if (reply >= 200 && reply < 300)
            return POST_ACCEPTED;
        snprintf(why, POST_WHY_SIZE, "the webhook answers %ld", reply);
        return hook_is_refused(reply) ? POST_REFUSED : POST_LATER;
    }
    if (code == CURLE_OK)
        return POST_ACCEPTED;
    const char *words = p->cut        ? "no answer in time"
                        : p->error[0] ? p->error
                                      : p->curl->easy_strerror(code);
    bool said = p->way == POST_MAIL && reply >= 400 && p->reply[0];
    snprintf(why, POST_WHY_SIZE, said ? "%.100s; it said: %.180s" : "%.100s%.180s", words,
             said ? p->reply : "");
    return p->way == POST_MAIL && mail_is_refused(code, reply) ? POST_REFUSED : POST_LATER;
}
