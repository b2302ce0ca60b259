/*
 * web_parts - what web.c (lifecycle, live messages), web_http.c (requests), web_door.c (what
 * the door says, kept) and web_desk.c (the desk's) share.
 */
#ifndef FORETRIP_WEB_PARTS_H
#define FORETRIP_WEB_PARTS_H

#include "answer.h"
#include "board.h"
#include "places.h"
#include "porter.h"
#include "server.h"
#include "stream.h"
#include "web.h"

#include "base/pulse.h"
#include "base/queue.h"
#include "store/reader.h"

#include <pthread.h>
#include <stdatomic.h>

#define WEB_STATE "access" /* key in the record */

/* with a pulse of their own; places.h has those that serve */
enum web_part { WEB_HERALD, WEB_DOOR_KEEPER, WEB_DESK_CLERK, WEB_PARTS };

/* One that listens to the live messages. */
struct listener {
    struct listener *next, *before;
    struct web *web;
    struct MHD_Connection *connection;
    struct stream *stream;
    struct stream_cursor cursor;
    struct access_who who; /* whose it is, where people log in */
    bool suspended;
    bool greeted;
};

struct web {
    struct page_settings settings;
    struct web_context context;
    struct board *board;
    struct stream *stream;
    struct stream *discreet; /* for whoever may not see all; NULL where nobody logs in */
    struct store *store;
    struct server *server;
    struct queue *asks;

    struct porter *porter; /* NULL where nobody logs in */

    struct desk *desk;
    struct queue *desk_asks;
    struct store_reader *desk_reader;
    pthread_t desk_thread;
    bool desk_runs;
    atomic_bool desk_stops;

    struct places places;

    pthread_mutex_t lock; /* of the listeners; `stopping` is set under both */
    struct listener *listeners;
    bool stopping;

    pthread_mutex_t
        wake_lock; /* held for some instructions only: the engine's thread takes it */
    pthread_cond_t wake;
    bool frame;       /* since the herald looked last */
    int64_t told_seq; /* of the last event told */

    int64_t trail_kept_wall_ms; /* the engine's thread's own */

    int64_t read_seq; /* the herald's own: of the last event read */
    pthread_t herald;
    bool herald_runs;
    struct pulse pulses[WEB_PARTS];
    struct store_reader *herald_reader;
};

/* web_door.c */
bool web_door_start(struct web *w, const struct delivery *d, struct store_reader *reader);
void web_door_free(struct web *w);
/* What changed at the door, and who did what there, into the batch. */
void web_door_keep(struct web *w, int64_t wall_ms);

/* web_desk.c */
bool web_desk_start(struct web *w, const char *path);
void web_desk_stop(struct web *w); /* its thread has ended, and nobody waits for it */
void web_desk_free(struct web *w);

/* web_http.c: the calls of server.h */
void web_http_answer(void *context, const struct web_request *r, struct web_answer *out);
bool web_http_pass(void *context, struct server_ask *k);
struct MHD_Response *web_http_stream(void *context, struct MHD_Connection *connection,
                                     const struct web_answer *a);

#endif
