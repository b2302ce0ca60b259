#include "up.h"

#include "payload.h"

#include <string.h>

int64_t up_seen(const struct up *u)
{
    return u->passed > u->settled ? u->passed : u->settled;
}

bool up_due(const struct up *u, int64_t newest, int64_t mono_ms, int64_t period_ms)
{
    if (u->mid != 0 || newest <= up_seen(u))
        return false;
    return newest - up_seen(u) >= UP_RECORDS || mono_ms - u->sent_mono_ms >= period_ms;
}

struct batch_text {
    bool loads;
    struct text records;
    int64_t from, to; /* of what was read */
};

static bool travels(const struct batch_text *b, const char *type)
{
    return b->loads || strncmp(type, "load_o", 6) != 0; /* load_on, load_off */
}

static bool add(void *context, const struct store_event_row *row)
{
    struct batch_text *b = context;
    b->to = row->seq;
    if (!travels(b, row->type))
        return true;
    if (b->records.length == 0)
        b->from = row->seq;
    else
        text_append(&b->records, ",");
    payload_with_seq(&b->records, row->seq, row->json);
    return b->records.length < UP_BYTES;
}

static enum store_err collect(struct batch_text *b, struct store_reader *r, int64_t after)
{
    enum store_err err = store_read_events(r, after, UP_RECORDS, add, b);
    return !err && b->records.failed ? STORE_ERR_MEMORY : err;
}

static void put(struct text *payload, const char *site, int64_t after,
                const struct batch_text *b, const char *more)
{
    text_printf(payload,
                "{\"site\":\"%s\",\"after\":%lld,\"from\":%lld,\"to\":%lld,%s\"records\":[%s]}",
                site, (long long)after, (long long)(b->records.length > 0 ? b->from : b->to),
                (long long)b->to, more, text_get(&b->records));
}

enum store_err up_compose(struct up *u, struct store_reader *r, const char *site,
                          const char *health, struct text *payload)
{
    struct batch_text b = {.loads = u->loads, .records = TEXT_INIT, .to = up_seen(u)};
    struct text more = TEXT_INIT;
    enum store_err err = collect(&b, r, up_seen(u));
    if (health)
        text_printf(&more, "\"health\":%s,", health);
    if (!err && more.failed)
        err = STORE_ERR_MEMORY;
    if (!err && (health || b.records.length > 0)) {
        put(payload, site, u->settled, &b, text_get(&more));
        u->sent = b.to;
    } else if (!err) {
        u->passed = b.to;
    }
    text_free(&more);
    text_free(&b.records);
    return err;
}

void up_ask_again(struct up *u, int64_t after, int64_t to)
{
    bool busy = u->again_after < u->again_to;
    u->again_after = busy && u->again_after < after ? u->again_after : after;
    u->again_to = busy && u->again_to > to ? u->again_to : to;
}

enum store_err up_compose_again(struct up *u, struct store_reader *r, const char *site,
                                int64_t newest, struct text *payload)
{
    int64_t end = u->again_to < newest ? u->again_to : newest;
    struct batch_text b = {.loads = u->loads, .records = TEXT_INIT};
    if (u->again_after >= end) {
        u->again_after = u->again_to = 0;
        return STORE_OK;
    }
    enum store_err err = collect(&b, r, u->again_after);
    if (!err) {
        if (b.to == 0) /* gone by age: there are none above */
            b.to = end;
        put(payload, site, u->again_after, &b, "\"again\":true,");
        u->again_sent = b.to;
    }
    text_free(&b.records);
    return err;
}
