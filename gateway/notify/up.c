#include "up.h"

#include "payload.h"

bool up_due(const struct up *u, int64_t newest, int64_t mono_ms, int64_t period_ms)
{
    if (u->mid != 0 || newest <= u->settled)
        return false;
    return newest - u->settled >= UP_RECORDS || mono_ms - u->sent_mono_ms >= period_ms;
}

struct batch_text {
    struct text records;
    int64_t from, to;
};

static bool add(void *context, const struct store_event_row *row)
{
    struct batch_text *b = context;
    if (b->records.length == 0)
        b->from = row->seq;
    else
        text_append(&b->records, ",");
    payload_with_seq(&b->records, row->seq, row->json);
    b->to = row->seq;
    return b->records.length < UP_BYTES;
}

enum store_err up_compose(struct up *u, struct store_reader *r, const char *site,
                          struct text *payload)
{
    struct batch_text b = {.records = TEXT_INIT};
    enum store_err err = store_read_events(r, u->settled, UP_RECORDS, add, &b);
    if (!err && b.records.failed)
        err = STORE_ERR_MEMORY;
    if (!err && b.records.length > 0) {
        text_printf(payload, "{\"site\":\"%s\",\"from\":%lld,\"to\":%lld,\"records\":[%s]}",
                    site, (long long)b.from, (long long)b.to, text_get(&b.records));
        u->sent = b.to;
    }
    text_free(&b.records);
    return err;
}
