/*
 * request - what was asked of the page, and what is answered; no socket in it.
 *
 * The server (web.h) fills a request from the wire, answer.h makes the answer, and the server
 * sends it. So a test, or a fuzzer, asks without a network.
 *
 * Errors are JSON as well: {"error": "a sentence"}.
 *
 * Ownership  a request borrows everything; an answer belongs to the caller and ends with
 *            web_answer_free
 */
#ifndef FORETRIP_WEB_REQUEST_H
#define FORETRIP_WEB_REQUEST_H

#include "access.h"

#include "base/text.h"

#include <jansson.h>

#include <stdint.h>

#define WEB_MOST_PAIRS 16
#define WEB_MOST_BODY 8192
#define WEB_MOST_PATH 256

struct web_pair {
    const char *name, *value; /* decoded; value "" for a bare name */
};

struct web_request {
    const char *method;
    const char *path; /* decoded, without the query */
    struct web_pair query[WEB_MOST_PAIRS];
    size_t query_count;
    const char *body;
    size_t body_length;
    const char *host, *origin, *content_type, *if_none_match; /* NULL: header not there */
    const char *session; /* the cookie's token, NULL: none */
    const char *token;   /* X-Foretrip-Token, NULL: header not there */
    const char *address; /* of whoever asks, in numbers */
    bool takes_gzip;
};

enum web_answer_kind {
    WEB_BODY,
    WEB_STREAM, /* server-sent events from now on */
    WEB_ASK,    /* the engine's thread has to be asked first: verb and body */
    WEB_DOOR,   /* it goes to the door (door.h): verb and body */
    WEB_DESK,   /* it takes long, and goes to the desk (desk.h): verb and body */
};

struct web_answer {
    enum web_answer_kind kind;
    int status;
    const char *type;  /* static storage */
    struct text body;  /* what is sent, unless fixed is there */
    const void *fixed; /* static storage; NULL: none */
    size_t fixed_length;
    bool gzip;             /* fixed is compressed */
    bool keep;             /* a client may keep it as long as its tag is the same */
    char tag[40];          /* without quotes; "": none */
    const char *filename;  /* static storage; to be saved under that name, NULL: shown */
    const char *verb;      /* WEB_ASK, WEB_DOOR, WEB_DESK: static storage */
    struct access_who who; /* likewise, and WEB_STREAM: whose it is */
    bool discreet;         /* WEB_STREAM: without what discreet.h leaves out */
    char cookie[192];      /* to be set, "": none */
    int64_t retry_after;   /* seconds; 0: not said */
    bool forget;           /* the browser is to forget what it kept of this page */
};

void web_answer_free(struct web_answer *a);

/* The value of a query's name, NULL when it is not there. */
const char *web_query(const struct web_request *r, const char *name);

/* Each returns false, having answered 400 with a sentence, when the value is there and is not
 * what it should be; absent leaves *out as it is. */
bool web_query_time(const struct web_request *r, const char *name, int64_t *wall_ms,
                    struct web_answer *a);
bool web_query_number(const struct web_request *r, const char *name, int64_t least,
                      int64_t most, int64_t *out, struct web_answer *a);
bool web_query_switch(const struct web_request *r, const char *name, bool *out,
                      struct web_answer *a);
/* Only these names may be asked with; the list ends with NULL. */
bool web_query_only(const struct web_request *r, const char *const *names,
                    struct web_answer *a);

/* ---- answering ---- */

void web_error(struct web_answer *a, int status, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* As every answer is written; to free(). NULL: memory is short, or o is NULL. */
char *web_json_dump(const json_t *o);
/* Takes the reference. NULL: memory is short. */
void web_json(struct web_answer *a, json_t *o);
/* The body is written: 200, JSON. */
void web_json_text(struct web_answer *a);

#endif
