#include "web_parts.h"

#include "base/clock.h"

#include <stdlib.h>
#include <string.h>

#define STREAM_BLOCK 4096

/* ---- live messages ---- */

/* logged out, or their time is over */
static bool has_left(const struct listener *l)
{
    struct access *a = l->web->context.access;
    return a && !access_still(a, l->who.session, clock_wall_ms());
}

static ssize_t read_stream(void *context, uint64_t position, char *out, size_t most)
{
    static const char hello[] = "retry: 2000\nevent: hello\ndata: {}\n\n";
    struct listener *l = context;
    struct web *w = l->web;
    ssize_t n = 0;
    (void)position;
    pthread_mutex_lock(&w->lock);
    if (w->stopping || has_left(l)) {
        n = MHD_CONTENT_READER_END_OF_STREAM;
    } else if (!l->greeted && most >= sizeof hello) {
        l->greeted = true;
        n = sizeof hello - 1;
        memcpy(out, hello, sizeof hello - 1);
    } else {
        n = (ssize_t)stream_read(l->stream, &l->cursor, out, most);
        if (n == 0) {
            l->suspended = true;
            MHD_suspend_connection(l->connection);
        }
    }
    pthread_mutex_unlock(&w->lock);
    return n;
}

static void end_stream(void *context)
{
    struct listener *l = context;
    struct web *w = l->web;
    pthread_mutex_lock(&w->lock);
    if (l->before)
        l->before->next = l->next;
    else
        w->listeners = l->next;
    if (l->next)
        l->next->before = l->before;
    pthread_mutex_unlock(&w->lock);
    free(l);
}

struct MHD_Response *web_http_stream(void *context, struct MHD_Connection *connection,
                                     const struct web_answer *a)
{
    struct web *w = context;
    struct listener *l = calloc(1, sizeof *l);
    if (!l)
        return NULL;
    *l = (struct listener){.web = w, .connection = connection, .who = a->who};
    l->stream = a->discreet ? w->discreet : w->stream;
    l->cursor = stream_now(l->stream);
    pthread_mutex_lock(&w->lock);
    l->next = w->listeners;
    if (l->next)
        l->next->before = l;
    w->listeners = l;
    pthread_mutex_unlock(&w->lock);
    struct MHD_Response *r = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, STREAM_BLOCK,
                                                               read_stream, l, end_stream);
    if (!r)
        end_stream(l);
    return r;
}

void web_http_answer(void *context, const struct web_request *r, struct web_answer *out)
{
    struct web *w = context;
    struct place *here = places_take(&w->places);
    if (!here) { /* there are as many as threads */
        web_error(out, 503, "too much is asked at once; try again");
        return;
    }
    web_answer_request(&w->context, here->reader, r, clock_wall_ms(), out);
    places_leave(&w->places, here);
}

/* ---- what the engine's thread is asked, the door's, and the desk's ---- */

bool web_http_pass(void *context, struct server_ask *k)
{
    struct web *w = context;
    pthread_mutex_lock(&w->lock);
    bool taken = !w->stopping && (k->kind == WEB_DOOR   ? porter_push(w->porter, k)
                                  : k->kind == WEB_DESK ? queue_push(w->desk_asks, k)
                                                        : queue_push(w->asks, k));
    pthread_mutex_unlock(&w->lock);
    return taken;
}
