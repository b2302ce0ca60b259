/* The door's thread: what is asked there one after the other, off the threads that serve.
 * Argon2 takes a tenth of a second and 64 MiB; whoever does not log in does not wait for it. */
#include "web_parts.h"

#include "base/clock.h"
#include "base/log.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

#define QUEUE_DOOR 8
#define POP_MS 60000

/* The engine's thread writes down what came of it, and then it is answered. */
static void pass_on(struct web *w, struct ask *k)
{
    k->verb = WEB_KEEP;
    text_free(&k->body);
    k->body = (struct text)TEXT_INIT;
    if (queue_push(w->asks, k))
        return;
    k->done = true; /* the engine's turn keeps it all the same */
    MHD_resume_connection(k->connection);
}

static void *stand_at_door(void *context)
{
    struct web *w = context;
    struct ask *k;
    while (!atomic_load(&w->door_stops)) {
        if (!(k = queue_pop(w->door_asks, POP_MS)))
            continue;
        const struct door_ask ask = {.verb = k->verb,
                                     .body = text_get(&k->body),
                                     .length = k->body.length,
                                     .who = &k->who,
                                     .address = k->address};
        pulse_begin(&w->pulses[WEB_DOOR_KEEPER]);
        door_answer(w->door, &ask, clock_wall_ms(), clock_mono_ms(), &k->answer);
        pulse_end(&w->pulses[WEB_DOOR_KEEPER]);
        if (k->body.bytes) /* a password may be in it */
            sodium_memzero(k->body.bytes, k->body.length);
        pass_on(w, k);
    }
    return NULL;
}

static void say_first_code(struct web *w)
{
    char code[CODE_SIZE];
    if (!access_first_code(w->context.access, code))
        return;
    log_warning("page",
                "no administrator has a password yet: one of them opens the page, goes to \"I "
                "have a one-time code\" and gives %s",
                code);
}

bool web_door_start(struct web *w, const struct delivery *d, struct store_reader *reader)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    struct access *a = w->context.access = access_create(d);
    w->door = a ? door_create(a, d) : NULL;
    w->door_asks = queue_create(QUEUE_DOOR);
    if (!w->door || !w->door_asks)
        return false;
    if (store_read_state(reader, WEB_STATE, &bytes, &length, &wall_ms) == STORE_OK && bytes &&
        !access_load(a, &(struct codec_in){.at = bytes, .end = bytes + length}))
        log_error("page", "who may log in was damaged in the record, and is forgotten");
    if (bytes)
        sodium_memzero(bytes, length);
    free(bytes);
    say_first_code(w);
    w->door_runs = pthread_create(&w->door_thread, NULL, stand_at_door, w) == 0;
    return w->door_runs;
}

void web_door_stop(struct web *w)
{
    struct ask *k;
    if (w->door_runs) {
        atomic_store(&w->door_stops, true);
        queue_wake(w->door_asks);
        pthread_join(w->door_thread, NULL);
    }
    while (w->door_asks && (k = queue_pop(w->door_asks, 0)))
        web_reply(w, &(struct web_ask){.token = k}, "the gateway is stopping");
}

void web_door_free(struct web *w)
{
    queue_destroy(w->door_asks);
    door_destroy(w->door);
    access_destroy(w->context.access);
}

void web_door_keep(struct web *w, int64_t wall_ms)
{
    struct door_note n;
    struct codec_out out = {0};
    if (!w->door)
        return;
    while (door_take_note(w->door, &n))
        store_add_audit(w->store, &n.said);
    if (!access_changed(w->context.access))
        return;
    access_save(w->context.access, &out);
    if (!out.failed)
        store_add_state(w->store, WEB_STATE, out.bytes, out.length, wall_ms);
    if (out.bytes)
        sodium_memzero(out.bytes, out.length);
    codec_out_free(&out);
}

struct access *web_access(struct web *w)
{
    return w->context.access;
}
