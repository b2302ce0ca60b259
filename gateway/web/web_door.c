/* What the door says, kept in the gateway's record; the porter (porter.h) has the thread. */
#include "web_parts.h"

#include "base/clock.h"
#include "base/log.h"

#include <sodium.h>
#include <stdlib.h>

/* The engine's thread writes down what came of it, and then it is answered. */
static void pass_on(void *context, struct server_ask *k)
{
    struct web *w = context;
    k->verb = WEB_KEEP;
    text_free(&k->body);
    k->body = (struct text)TEXT_INIT;
    if (!queue_push(w->asks, k))
        server_answered(k); /* the engine's turn keeps it all the same */
}

bool web_door_start(struct web *w, const struct delivery *d, struct store_reader *reader)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    struct access *a = w->context.access = access_create(d);
    if (!a)
        return false;
    if (store_read_state(reader, WEB_STATE, &bytes, &length, &wall_ms) == STORE_OK && bytes &&
        !access_load(a, &(struct codec_in){.at = bytes, .end = bytes + length}))
        log_error("page", "who may log in was damaged in the record, and is forgotten");
    if (bytes)
        sodium_memzero(bytes, length);
    free(bytes);
    porter_say_first_code(a);
    w->porter = porter_create(a, d, door_gateway_may, &w->pulses[WEB_DOOR_KEEPER], pass_on, w);
    return w->porter != NULL;
}

void web_door_free(struct web *w)
{
    porter_destroy(w->porter);
    access_destroy(w->context.access);
}

void web_door_keep(struct web *w, int64_t wall_ms)
{
    struct door_note n;
    struct codec_out out = {0};
    if (!w->porter)
        return;
    while (door_take_note(porter_door(w->porter), &n))
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
