/* Delivery's side of store.h, and how it goes. */
#include "store_parts.h"

void store_take_unwritten(struct store *s, enum store_route route, int64_t mono_ms,
                          store_unwritten_fn *fn, void *context)
{
    if (!s->err || mono_ms - s->failed_mono_ms < STORE_GRACE_MS)
        return;
    for (struct entry *e = s->batch.first; e; e = e->next) {
        if (e->kind.statement != ADD_MESSAGE || e->kind.worth != WORTH_RECORD || e->told ||
            e->values[MESSAGE_ROUTE].integer != (int64_t)route)
            continue;
        struct text topic = TEXT_INIT,
                    payload = TEXT_INIT; /* the batch's texts are not terminated */
        text_append_bytes(&topic, e->values[MESSAGE_TOPIC].bytes,
                          e->values[MESSAGE_TOPIC].length);
        bool empty = e->values[MESSAGE_PAYLOAD].type == VALUE_NULL;
        if (!empty)
            text_append_bytes(&payload, e->values[MESSAGE_PAYLOAD].bytes,
                              e->values[MESSAGE_PAYLOAD].length);
        e->told = !topic.failed && !payload.failed;
        if (e->told)
            fn(context, text_get(&topic), empty ? NULL : text_get(&payload),
               e->values[MESSAGE_RETAIN].integer != 0);
        text_free(&topic);
        text_free(&payload);
    }
}

void store_settle(struct store *s, enum store_route route, int64_t id)
{
    atomic_store(&s->settled[route], id);
}

void store_finish(struct store *s, int64_t id)
{
    finished_add(&s->finished, id);
}

int64_t store_newest(struct store *s, enum store_route route)
{
    return atomic_load(&s->newest[route]);
}

void store_set_watch(struct store *s, store_watch *watch, void *context)
{
    s->watch = watch;
    s->watch_context = context;
}

void store_get_status(const struct store *s, struct store_status *out)
{
    *out = s->counted;
    out->err = s->err;
    out->why = s->why;
    out->waiting_records = s->batch.count;
    out->waiting_bytes = s->batch.bytes;
    out->outbox_rows = s->outbox_rows;
    out->short_of_room = s->short_of_room;
}

const char *store_strerror(enum store_err err)
{
    switch (err) {
    case STORE_OK: return "ok";
    case STORE_ERR_MEMORY: return "memory is short";
    case STORE_ERR_OPEN: return "the file cannot be opened";
    case STORE_ERR_FULL: return "the disk is full";
    case STORE_ERR_READ_ONLY: return "the disk cannot be written";
    case STORE_ERR_IO: return "the disk answered with an error";
    case STORE_ERR_BUSY: return "another program holds the record";
    case STORE_ERR_DAMAGED: return "the file is damaged, or no database";
    case STORE_ERR_NEWER: return "written by a later version, left alone";
    }
    return "unknown store error";
}
