/*
 * server - HTTP and HTTPS for a page: libmicrohttpd with threads of its own.
 *
 * Takes requests whole, has them answered, and sends the answers with the headers that every
 * page of ours has. What takes long is asked of somebody else's thread meanwhile (a server_ask
 * goes there and comes back), so that the threads that serve never wait. The gateway's page
 * (web.h) and the centre's both stand on it.
 *
 * Bounds     SERVER_MOST_CONNECTIONS, 8 KiB of body, 16 KiB for a connection's head, 30 s of
 *            silence on a connection
 * Ownership  server_start .. server_stop; the settings are copied, the context is borrowed
 * Threads    the calls come from the SERVER_THREADS threads that serve; server_answered from
 *            any; the rest from the one that started it
 */
#ifndef FORETRIP_WEB_SERVER_H
#define FORETRIP_WEB_SERVER_H

#include "request.h"

#include "model/page.h"

#include <microhttpd.h>

#define SERVER_MOST_CONNECTIONS 320
#define SERVER_THREADS 2
#define SERVER_ADDRESS_SIZE 48

struct server;

/* What somebody else's thread is asked; part of its request, which waits for it. */
struct server_ask {
    struct MHD_Connection *connection;
    enum web_answer_kind kind; /* WEB_ASK, WEB_DOOR, WEB_DESK */
    const char *verb;
    struct text body; /* a JSON object */
    bool sent, done, refused;
    char error[256]; /* a sentence: it was not done. "": done */
    struct access_who who;
    char address[SERVER_ADDRESS_SIZE];
    struct web_answer answer; /* with a status: it goes out as it is */
};

struct server_calls {
    /* Fills *out, which is zeroed. */
    void (*answer)(void *context, const struct web_request *r, struct web_answer *out);
    /* Into the queue of the thread that its kind is for, which calls server_answered once.
     * False: it takes no more. */
    bool (*pass)(void *context, struct server_ask *ask);
    /* An answer of the kind WEB_STREAM begins. NULL: memory is short. */
    struct MHD_Response *(*stream)(void *context, struct MHD_Connection *connection,
                                   const struct web_answer *a);
};

struct server_options {
    const struct page_settings *settings;
    const struct server_calls *calls;
    void *context;
};

/* NULL with a sentence in why. */
struct server *server_start(const struct server_options *o, char *why, size_t why_size);
/* Whoever waits must have been answered before. Accepts NULL. */
void server_stop(struct server *s);

/* Where it listens. */
int server_port(const struct server *s);

/* From time to time: says when the certificate ends. */
void server_tend(struct server *s);

/* What was asked is done, or says in its error or answer why not. */
void server_answered(struct server_ask *ask);
void server_failed(struct server_ask *ask, const char *error);

#endif
