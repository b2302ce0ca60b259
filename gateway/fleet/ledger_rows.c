#include "ledger_rows.h"

#include "notices.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

static const struct sql_table put_records = {
    .name = "records",
    .conflict = "ON CONFLICT DO NOTHING",
    .columns = 6,
    .column = {{"site", SQL_NUMBER},
               {"filed_ms", SQL_NUMBER},
               {"seq", SQL_NUMBER},
               {"type", SQL_WORDS},
               {"subject", SQL_WORDS},
               {"json", SQL_WORDS}},
};

static void fill_record(struct sql_value *v, const struct ledger_row *f)
{
    assert(f->record);
    v[0] = sql_number(f->site);
    v[1] = sql_number(f->filed_ms);
    v[2] = sql_number(f->record->seq);
    v[3] = sql_words(f->record->type);
    v[4] = f->record->subject[0] ? sql_words(f->record->subject) : sql_null();
    v[5] = sql_words(f->record->json);
}

static const struct sql_table put_trips = {
    .name = "trips",
    .conflict = "ON CONFLICT (site, trip) DO UPDATE SET panel = excluded.panel,"
                " circuit = excluded.circuit, opened_ms = excluded.opened_ms,"
                " stage = excluded.stage, probability = excluded.probability,"
                " cause = excluded.cause, seq = excluded.seq, json = excluded.json"
                " WHERE excluded.seq > trips.seq",
    .columns = 10,
    .column = {{"site", SQL_NUMBER},
               {"trip", SQL_WORDS},
               {"panel", SQL_WORDS},
               {"circuit", SQL_WORDS},
               {"opened_ms", SQL_NUMBER},
               {"stage", SQL_WORDS},
               {"probability", SQL_REAL},
               {"cause", SQL_WORDS},
               {"seq", SQL_NUMBER},
               {"json", SQL_WORDS}},
};

static void fill_trip(struct sql_value *v, const struct ledger_row *f)
{
    const struct parcel_record *r = f->record;
    v[0] = sql_number(f->site);
    v[1] = sql_words(r->subject);
    v[2] = sql_words(r->panel);
    v[3] = sql_words(r->circuit);
    v[4] = sql_number(r->since_wall_ms);
    v[5] = sql_words(r->state);
    v[6] = sql_real(r->probability);
    v[7] = sql_words(r->what);
    v[8] = sql_number(r->seq);
    v[9] = sql_words(r->json);
}

/* the trip itself may come later: then it finds its row */
static const struct sql_table put_restored = {
    .name = "trips",
    .conflict = "ON CONFLICT (site, trip) DO UPDATE SET restored_ms = excluded.restored_ms,"
                " seconds_open = excluded.seconds_open, restored_seq = excluded.restored_seq"
                " WHERE excluded.restored_seq > coalesce(trips.restored_seq, -1)",
    .columns = 8,
    .column = {{"site", SQL_NUMBER},
               {"trip", SQL_WORDS},
               {"panel", SQL_WORDS},
               {"circuit", SQL_WORDS},
               {"opened_ms", SQL_NUMBER},
               {"restored_ms", SQL_NUMBER},
               {"seconds_open", SQL_REAL},
               {"restored_seq", SQL_NUMBER}},
};
static const struct sql_table put_again = {
    .name = "trips",
    .conflict = "ON CONFLICT (site, trip) DO UPDATE SET seconds_held = excluded.seconds_held",
    .columns = 6,
    .column = {{"site", SQL_NUMBER},
               {"trip", SQL_WORDS},
               {"panel", SQL_WORDS},
               {"circuit", SQL_WORDS},
               {"opened_ms", SQL_NUMBER},
               {"seconds_held", SQL_REAL}},
};

static void fill_outcome(struct sql_value *v, const struct ledger_row *f)
{
    const struct parcel_record *r = f->record;
    v[0] = sql_number(f->site);
    v[1] = sql_words(r->subject);
    v[2] = sql_words(r->panel);
    v[3] = sql_words(r->circuit);
    v[4] = sql_number(r->wall_ms - (r->seconds > 0 ? (int64_t)(r->seconds * 1000.0) : 0));
}

static void fill_restored(struct sql_value *v, const struct ledger_row *f)
{
    fill_outcome(v, f);
    v[5] = sql_number(f->record->wall_ms);
    v[6] = sql_real(f->record->seconds);
    v[7] = sql_number(f->record->seq);
}

static void fill_again(struct sql_value *v, const struct ledger_row *f)
{
    fill_outcome(v, f);
    v[5] = sql_real(f->record->seconds);
}

static const struct sql_table put_alarms = {
    .name = "alarms",
    .conflict = "ON CONFLICT (site, alarm) DO UPDATE SET panel = excluded.panel,"
                " circuit = excluded.circuit, kind = excluded.kind,"
                " priority = excluded.priority, state = excluded.state, alert = excluded.alert,"
                " raised_ms = excluded.raised_ms, changed_ms = excluded.changed_ms,"
                " seq = excluded.seq, json = excluded.json, story = excluded.story"
                " WHERE excluded.seq > alarms.seq",
    .columns = 13,
    .column = {{"site", SQL_NUMBER},
               {"alarm", SQL_WORDS},
               {"panel", SQL_WORDS},
               {"circuit", SQL_WORDS},
               {"kind", SQL_WORDS},
               {"priority", SQL_WORDS},
               {"state", SQL_WORDS},
               {"alert", SQL_NUMBER},
               {"raised_ms", SQL_NUMBER},
               {"changed_ms", SQL_NUMBER},
               {"seq", SQL_NUMBER},
               {"json", SQL_WORDS},
               {"story", SQL_WORDS}},
};

static void fill_alarm(struct sql_value *v, const struct ledger_row *f)
{
    const struct parcel_record *r = f->record;
    v[0] = sql_number(f->site);
    v[1] = sql_words(r->subject);
    v[2] = sql_words(r->panel);
    v[3] = sql_words(r->circuit);
    v[4] = sql_words(r->what);
    v[5] = sql_words(r->priority);
    v[6] = sql_words(r->state);
    v[7] = sql_number(r->alert);
    v[8] = sql_number(r->since_wall_ms);
    v[9] = sql_number(r->wall_ms);
    v[10] = sql_number(r->seq);
    v[11] = sql_words(r->json);
    v[12] = sql_words(notices_story(r->what, r->panel, r->circuit));
}

/* of each subject the newest comes last */
static int by_subject(const void *a, const void *b)
{
    const struct ledger_row *x = a, *y = b;
    if (x->site != y->site)
        return x->site < y->site ? -1 : 1;
    int order = strcmp(x->record->subject, y->record->subject);
    if (order != 0)
        return order;
    return (x->record->seq > y->record->seq) - (x->record->seq < y->record->seq);
}

static bool same_subject(const struct ledger_row *a, const struct ledger_row *b)
{
    return a->site == b->site && strcmp(a->record->subject, b->record->subject) == 0;
}

typedef void fill_fn(struct sql_value *v, const struct ledger_row *f);

/* The newest of that kind of each subject. */
static enum sql_err put_newest(struct sql *sql, const struct ledger_row *fresh,
                               size_t fresh_count, enum parcel_kind kind,
                               const struct sql_table *table, fill_fn *fill)
{
    struct ledger_row *of = calloc(fresh_count + 1, sizeof *of);
    size_t count = 0, rows = 0;
    for (size_t i = 0; of && i < fresh_count; i++)
        if (fresh[i].record->kind == kind)
            of[count++] = fresh[i];
    struct sql_value *cells = calloc(count * table->columns + 1, sizeof *cells);
    enum sql_err err = of && cells ? SQL_FINE : SQL_ERR_MEMORY;
    if (err == SQL_FINE && count > 0) {
        qsort(of, count, sizeof *of, by_subject);
        for (size_t i = 0; i < count; i++)
            if (i + 1 == count || !same_subject(&of[i], &of[i + 1]))
                fill(cells + rows++ * table->columns, &of[i]);
        err = sql_put(sql, table, cells, rows);
    }
    free(cells);
    free(of);
    return err;
}

static enum sql_err put_all(struct sql *sql, const struct ledger_row *fresh, size_t fresh_count)
{
    struct sql_value *cells = calloc(fresh_count * put_records.columns + 1, sizeof *cells);
    if (!cells)
        return SQL_ERR_MEMORY;
    for (size_t i = 0; i < fresh_count; i++)
        fill_record(cells + i * put_records.columns, &fresh[i]);
    enum sql_err err = sql_put(sql, &put_records, cells, fresh_count);
    free(cells);
    return err;
}

enum sql_err ledger_rows_put(struct sql *sql, const struct ledger_row *rows, size_t count)
{
    enum sql_err err = put_all(sql, rows, count);
    if (err == SQL_FINE)
        err = put_newest(sql, rows, count, PARCEL_TRIP, &put_trips, fill_trip);
    if (err == SQL_FINE)
        err = put_newest(sql, rows, count, PARCEL_RESTORED, &put_restored, fill_restored);
    if (err == SQL_FINE)
        err = put_newest(sql, rows, count, PARCEL_OPENED_AGAIN, &put_again, fill_again);
    if (err == SQL_FINE)
        err = put_newest(sql, rows, count, PARCEL_ALARM, &put_alarms, fill_alarm);
    return err;
}
