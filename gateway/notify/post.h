/*
 * post - one letter on its way to a mail server or a webhook. libcurl lives here.
 *
 * A post is made for one attempt and thrown away with it, with a connection of its own. TLS is
 * checked against the authorities; a mail server that does not turn to TLS where it was asked
 * to gets nothing. No proxy of the environment is used.
 *
 * Ownership  post_create .. post_destroy; strings are borrowed for the call
 * Threads    one thread a post; post_cut from any other
 */
#ifndef FORETRIP_POST_H
#define FORETRIP_POST_H

#include "model/delivery.h"

#include <curl/curl.h>
#include <stdint.h>

#define POST_WHY_SIZE 320
#define POST_TIMEOUT_MS 60000

enum post_way { POST_MAIL, POST_WEBHOOK };

struct post_letter {
    enum post_way way;
    const struct delivery_mail *mail; /* for POST_MAIL */
    const struct delivery_person *person;
    const char *site_id, *site_name;
    const char *payload; /* letter.h */
    int64_t id;          /* of the outbox's row */
    const char *lost;    /* or NULL */
    int64_t wall_ms;
    int timeout_ms; /* for all of it; 0: POST_TIMEOUT_MS */
};

enum post_result {
    POST_ACCEPTED,
    POST_LATER,   /* again: the route is down, or says that it is for now */
    POST_REFUSED, /* this letter will never pass */
};

struct post;

/* NULL with a sentence when it cannot even begin (an unreadable password, say). */
struct post *post_create(const struct post_letter *l, char why[POST_WHY_SIZE]);
void post_destroy(struct post *p); /* accepts NULL */

/* Blocks until it is done. */
CURLcode post_run(struct post *p);

/* Ends its connections as if the other side had hung up: what runs it, in another thread, then
 * comes back with an error. libcurl's own timeouts are not enough: it waits for the answer to a
 * mail, and after a timeout for that to QUIT, for two minutes without looking at them. */
void post_cut(struct post *p);

/* What came of it, from libcurl's result; why is "" when it was accepted. */
enum post_result post_judge(struct post *p, CURLcode code, char why[POST_WHY_SIZE]);

#endif
