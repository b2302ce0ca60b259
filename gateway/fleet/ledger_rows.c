#include "ledger_rows.h"

#include "notices.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

static const struct sql_table put_records = {
    .name = "records",
    .conflict = "ON CONFLICT DO NOTHING",
    .new_rows = true,
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
    v[5] = sql_text(f->record->json, f->record->json_length);
}

/* Trip and outcome in whichever order they come: each fills what it knows of the row. */
#define NEWER "excluded.seq > trips.seq"
#define BACK "excluded.restored_seq > coalesce(trips.restored_seq, -1)"
#define SET(column, when)                                                                      \
    ", " #column " = CASE WHEN " when " THEN excluded." #column " ELSE trips." #column " END"

static const struct sql_table put_trips = {
    .name = "trips",
    .conflict = "ON CONFLICT (site, trip) DO UPDATE SET"
                " seconds_held = coalesce(excluded.seconds_held, trips.seconds_held)" /**/
    SET(panel, NEWER) SET(circuit, NEWER) SET(opened_ms, NEWER)                       /**/
    SET(stage, NEWER) SET(probability, NEWER) SET(cause, NEWER)                       /**/
    SET(json, NEWER) SET(seq, NEWER) SET(restored_ms, BACK)                           /**/
    SET(seconds_open, BACK) SET(restored_seq, BACK)                                   /**/
    " WHERE " NEWER " OR " BACK " OR excluded.seconds_held IS NOT NULL",
    .whole = true,
    .columns = 14,
    .column = {{"site", SQL_NUMBER},
               {"trip", SQL_WORDS},
               {"panel", SQL_WORDS},
               {"circuit", SQL_WORDS},
               {"opened_ms", SQL_NUMBER},
               {"stage", SQL_WORDS},
               {"probability", SQL_REAL},
               {"cause", SQL_WORDS},
               {"seq", SQL_NUMBER},
               {"json", SQL_WORDS},
               {"restored_ms", SQL_NUMBER},
               {"seconds_open", SQL_REAL},
               {"restored_seq", SQL_NUMBER},
               {"seconds_held", SQL_REAL}},
};

static bool is_of_trip(const struct ledger_row *f)
{
    return f->record->kind == PARCEL_TRIP || f->record->kind == PARCEL_RESTORED ||
           f->record->kind == PARCEL_OPENED_AGAIN;
}

/* Nothing known yet but which one it is; when it opened, for want of its own word, by its end.
 */
static void begin_trip(struct sql_value *v, const struct ledger_row *f)
{
    const struct parcel_record *r = f->record;
    v[0] = sql_number(f->site);
    v[1] = sql_words(r->subject);
    v[2] = sql_words(r->panel);
    v[3] = sql_words(r->circuit);
    v[4] = sql_number(r->wall_ms - (r->seconds > 0 ? (int64_t)(r->seconds * 1000.0) : 0));
    v[5] = v[7] = v[9] = sql_words("");
    v[8] = sql_number(0);
    v[6] = v[10] = v[11] = v[12] = v[13] = sql_null();
}

/* Called with the oldest first. */
static void fill_trip(struct sql_value *v, const struct ledger_row *f, bool first)
{
    const struct parcel_record *r = f->record;
    if (first)
        begin_trip(v, f);
    if (r->kind == PARCEL_TRIP) {
        v[2] = sql_words(r->panel);
        v[3] = sql_words(r->circuit);
        v[4] = sql_number(r->since_wall_ms);
        v[5] = sql_words(r->state);
        v[6] = sql_real(r->probability);
        v[7] = sql_words(r->what);
        v[8] = sql_number(r->seq);
        v[9] = sql_text(r->json, r->json_length);
    } else if (r->kind == PARCEL_RESTORED) {
        v[10] = sql_number(r->wall_ms);
        v[11] = sql_real(r->seconds);
        v[12] = sql_number(r->seq);
    } else {
        v[13] = sql_real(r->seconds);
    }
}

static const struct sql_table put_alarms = {
    .name = "alarms",
    .conflict = "ON CONFLICT (site, alarm) DO UPDATE SET panel = excluded.panel,"
                " circuit = excluded.circuit, kind = excluded.kind,"
                " priority = excluded.priority, state = excluded.state, alert = excluded.alert,"
                " raised_ms = excluded.raised_ms, changed_ms = excluded.changed_ms,"
                " seq = excluded.seq, json = excluded.json, story = excluded.story"
                " WHERE excluded.seq > alarms.seq",
    .whole = true,
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

static bool is_of_alarm(const struct ledger_row *f)
{
    return f->record->kind == PARCEL_ALARM;
}

static void fill_alarm(struct sql_value *v, const struct ledger_row *f, bool first)
{
    const struct parcel_record *r = f->record;
    (void)first; /* each says all there is */
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
    v[11] = sql_text(r->json, r->json_length);
    v[12] = sql_words(notices_story(r->what, r->panel, r->circuit));
}

/* those of one subject together, the newest last */
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

/* What of the records has rows in another table, and how a row comes of one record or more. */
struct fold {
    const struct sql_table *table;
    bool (*is_of)(const struct ledger_row *f);
    void (*fill)(struct sql_value *v, const struct ledger_row *f, bool first);
};
static const struct fold folds[] = {{&put_trips, is_of_trip, fill_trip},
                                    {&put_alarms, is_of_alarm, fill_alarm}};

/* One row for each subject. */
static enum sql_err put_folded(struct sql *sql, const struct ledger_row *fresh,
                               size_t fresh_count, const struct fold *fold)
{
    struct ledger_row *of = calloc(fresh_count + 1, sizeof *of);
    size_t count = 0, rows = 0, columns = fold->table->columns;
    for (size_t i = 0; of && i < fresh_count; i++)
        if (fold->is_of(&fresh[i]))
            of[count++] = fresh[i];
    struct sql_value *cells = calloc(count * columns + 1, sizeof *cells);
    enum sql_err err = SQL_ERR_MEMORY;
    if (of && cells) {
        qsort(of, count, sizeof *of, by_subject);
        for (size_t i = 0; i < count; i++) {
            bool first = i == 0 || !same_subject(&of[i - 1], &of[i]);
            rows += first;
            fold->fill(cells + (rows - 1) * columns, &of[i], first);
        }
        err = rows > 0 ? sql_put(sql, fold->table, cells, rows) : SQL_FINE;
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
    for (size_t i = 0; i < sizeof folds / sizeof folds[0] && err == SQL_FINE; i++)
        err = put_folded(sql, rows, count, &folds[i]);
    return err;
}
