/* The desk's thread: what takes long to reckon, one after the other, off the threads that
 * serve.
 */
#include "web_parts.h"

#include "desk.h"

#include "base/log.h"

#include <sys/resource.h>
#include <unistd.h>

#define QUEUE_DESK 4
#define POP_MS 60000
#define DESK_NICE 10

static void *sit_at_desk(void *context)
{
    struct web *w = context;
    struct server_ask *k;
    /* of this thread alone, on Linux: what is polled goes first */
    if (setpriority(PRIO_PROCESS, (id_t)gettid(), DESK_NICE) != 0)
        log_warning("web", "the desk keeps the others' priority");
    while (!atomic_load(&w->desk_stops)) {
        if (!(k = queue_pop(w->desk_asks, POP_MS)))
            continue;
        pulse_begin(&w->pulses[WEB_DESK_CLERK]);
        desk_answer(w->desk, w->desk_reader, k->verb, text_get(&k->body), &k->answer, NULL);
        pulse_end(&w->pulses[WEB_DESK_CLERK]);
        server_answered(k);
    }
    return NULL;
}

bool web_desk_start(struct web *w, const char *path)
{
    w->desk_reader = store_reader_open(path);
    w->desk_asks = queue_create(QUEUE_DESK);
    w->desk = desk_create(&w->context);
    w->desk_runs = w->desk && w->desk_reader && w->desk_asks &&
                   pthread_create(&w->desk_thread, NULL, sit_at_desk, w) == 0;
    return w->desk_runs;
}

void web_desk_stop(struct web *w)
{
    struct server_ask *k;
    if (w->desk_runs) {
        atomic_store(&w->desk_stops, true);
        queue_wake(w->desk_asks);
        pthread_join(w->desk_thread, NULL);
    }
    while (w->desk_asks && (k = queue_pop(w->desk_asks, 0)))
        web_reply(w, &(struct web_ask){.token = k}, "the gateway is stopping");
}

void web_desk_free(struct web *w)
{
    queue_destroy(w->desk_asks);
    desk_destroy(w->desk);
    store_reader_close(w->desk_reader);
}
