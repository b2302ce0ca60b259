#include "copies.h"

#include "notices.h"

#include "base/clock.h"
#include "base/text.h"

#include <jansson.h>

#include <stdlib.h>
#include <string.h>

#define DAY_MS INT64_C(86400000)
#define RUN_SIZE 33
#define DEAREST 4096 /* so many units at a time */

struct word { /* of one unit */
    int64_t site, heard_ms, said_ms, taken_over;
    char run[RUN_SIZE];
};

struct words {
    struct word *list;
    size_t count;
    int64_t after; /* site */
};

static bool plain(const char *s)
{
    return s[0] && strspn(s, "0123456789abcdefABCDEF") == strlen(s);
}

/* a gateway of an earlier version says no run: nothing is known of it */
static bool see_health(void *context, const struct sql_value *row)
{
    struct words *w = context;
    struct word *x = &w->list[w->count];
    w->after = sql_as_number(&row[0]);
    json_t *o = json_loads(sql_as_words(&row[1]), 0, NULL);
    const char *run = json_string_value(json_object_get(o, "run"));
    const char *time = json_string_value(json_object_get(o, "time"));
    *x = (struct word){.site = w->after,
                       .heard_ms = sql_as_number(&row[2]),
                       .taken_over = json_integer_value(json_object_get(o, "taken_over"))};
    if (run && time && text_copy(x->run, sizeof x->run, run) && plain(x->run) &&
        clock_parse(time, strlen(time), &x->said_ms))
        w->count++;
    json_decref(o);
    return true;
}

static const struct sql_table put_runs = {
    .name = "runs",
    .conflict =
        "ON CONFLICT (site, run) DO UPDATE SET"
        " last_ms = CASE WHEN excluded.last_ms > runs.last_ms THEN excluded.last_ms"
        " ELSE runs.last_ms END,"
        " last_said_ms = CASE WHEN excluded.last_said_ms > runs.last_said_ms"
        " THEN excluded.last_said_ms ELSE runs.last_said_ms END,"
        " kicked_ms = CASE WHEN excluded.taken_over > runs.taken_over THEN excluded.last_ms"
        " ELSE runs.kicked_ms END,"
        " taken_over = CASE WHEN excluded.taken_over > runs.taken_over"
        " THEN excluded.taken_over ELSE runs.taken_over END",
    .columns = 7,
    .column = {{"site", SQL_NUMBER},
               {"run", SQL_WORDS},
               {"first_ms", SQL_NUMBER},
               {"last_ms", SQL_NUMBER},
               {"last_said_ms", SQL_NUMBER},
               {"taken_over", SQL_NUMBER},
               {"kicked_ms", SQL_NUMBER}},
};

static enum sql_err put_words(struct sql *s, const struct words *w)
{
    struct sql_value *cells = calloc(w->count * put_runs.columns + 1, sizeof *cells);
    if (!cells)
        return SQL_ERR_MEMORY;
    for (size_t i = 0; i < w->count; i++) {
        const struct word *x = &w->list[i];
        struct sql_value *v = cells + i * put_runs.columns;
        v[0] = sql_number(x->site);
        v[1] = sql_words(x->run);
        v[2] = v[3] = sql_number(x->heard_ms);
        v[4] = sql_number(x->said_ms);
        v[5] = sql_number(x->taken_over);
        v[6] = sql_number(x->taken_over > 0 ? x->heard_ms : 0);
    }
    enum sql_err err = sql_put(s, &put_runs, cells, w->count);
    free(cells);
    return err;
}

/* what the units said lately; twice as far back as is needed, so that none is missed */
static enum sql_err note_runs(struct sql *s, int64_t wall_ms)
{
    static const char text[] =
        "SELECT site, health, health_ms FROM sites WHERE site > $1 AND health_ms >= $2"
        " ORDER BY site LIMIT $3";
    struct words w = {.list = calloc(DEAREST + 1, sizeof *w.list)};
    enum sql_err err = w.list ? SQL_FINE : SQL_ERR_MEMORY;
    for (int64_t before = -1; err == SQL_FINE && w.after != before;) {
        before = w.after;
        const struct sql_value params[] = {sql_number(w.after),
                                           sql_number(wall_ms - 2 * COPIES_EVERY_MS),
                                           sql_number(DEAREST)};
        w.count = 0;
        err = sql_query(s, text, params, 3, see_health, &w, NULL);
        if (err == SQL_FINE && w.count > 0)
            err = put_words(s, &w);
    }
    free(w.list);
    return err;
}

/* one of them is found by both signs: the first that is seen */
#define BOTH_AT_ONCE                                                                           \
    "a.first_ms <= b.first_ms AND a.run <> b.run AND a.last_ms > b.first_ms + $2"              \
    " AND a.last_said_ms > b.first_ms + $2 AND a.last_ms > $3 AND b.last_ms > $3"

enum sql_err copies_tend(struct sql *s, int64_t wall_ms)
{
    static const char both[] =
        "INSERT INTO notices (kind, priority, site, alarm, began_ms, last_ms, text)"
        " SELECT '" NOTICE_COPIED "', 'high', a.site, '" NOTICE_COPIED "', min(b.first_ms), $1,"
        " 'two gateways speak as ' || min(s.id) || ': runs ' || min(a.run) || ' and '"
        " || max(b.run) || '; one is a copy, or somebody plays an old one again'"
        " FROM runs a JOIN runs b ON b.site = a.site JOIN sites s ON s.site = a.site"
        " WHERE " BOTH_AT_ONCE " AND NOT EXISTS (SELECT 1 FROM notices n WHERE n.site = a.site"
        " AND n.kind = '" NOTICE_COPIED "' AND n.ended_ms IS NULL)"
        " GROUP BY a.site ON CONFLICT (site, alarm, began_ms) DO NOTHING";
    static const char kicked[] =
        "INSERT INTO notices (kind, priority, site, alarm, began_ms, last_ms, text)"
        " SELECT '" NOTICE_COPIED "', 'high', a.site, '" NOTICE_COPIED "', min(a.first_ms), $1,"
        " 'two gateways speak as ' || min(s.id) || ': another took the line of run '"
        " || min(a.run) || ' again and again; one is a copy'"
        " FROM runs a JOIN sites s ON s.site = a.site WHERE a.taken_over >= $2"
        " AND a.kicked_ms > $3 AND NOT EXISTS (SELECT 1 FROM notices n WHERE n.site = a.site"
        " AND n.kind = '" NOTICE_COPIED "' AND n.ended_ms IS NULL)"
        " GROUP BY a.site ON CONFLICT (site, alarm, began_ms) DO NOTHING";
    /* for a day there was no sign: the runs that gave one are silent, or alone */
    static const char over[] =
        "UPDATE notices SET ended_ms = $1 WHERE kind = '" NOTICE_COPIED "'"
        " AND ended_ms IS NULL AND last_ms < $3 AND NOT EXISTS (SELECT 1 FROM runs a JOIN runs "
        "b"
        " ON b.site = a.site WHERE a.site = notices.site AND " BOTH_AT_ONCE ")"
        " AND NOT EXISTS (SELECT 1 FROM runs k WHERE k.site = notices.site"
        " AND k.taken_over >= $4 AND k.kicked_ms > $3)";
    static const char forget[] = "DELETE FROM runs WHERE last_ms < $1";
    const struct sql_value now[] = {sql_number(wall_ms), sql_number(COPIES_MARGIN_MS),
                                    sql_number(wall_ms - DAY_MS),
                                    sql_number(COPIES_TAKEN_OVER)},
                           kicks[] = {sql_number(wall_ms), sql_number(COPIES_TAKEN_OVER),
                                      sql_number(wall_ms - DAY_MS)},
                           old = sql_number(wall_ms - COPIES_REMEMBERED_MS);
    enum sql_err err = note_runs(s, wall_ms);
    if (err == SQL_FINE)
        err = sql_query(s, both, now, 3, NULL, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_query(s, kicked, kicks, 3, NULL, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_query(s, over, now, 4, NULL, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_query(s, forget, &old, 1, NULL, NULL, NULL);
    return err;
}
