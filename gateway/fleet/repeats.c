#include "repeats.h"

#include "notices.h"

#include <stdio.h>
#include <string.h>

struct compared {
    const char *json;
    bool differ;
};

static bool compare(void *context, const struct sql_value *row)
{
    struct compared *c = context;
    c->differ = strcmp(c->json, sql_as_words(&row[0])) != 0;
    return true;
}

/* One notice of a unit, which lasts as long as there are signs. */
static enum sql_err tell(struct sql *sql, const struct ledger_row *row, int64_t wall_ms)
{
    static const char begin[] =
        "INSERT INTO notices (kind, priority, site, alarm, began_ms, last_ms, text)"
        " SELECT '" NOTICE_COPIED "', 'high', site, '" NOTICE_COPIED "', $2, $2,"
        " 'two gateways speak as ' || id || ': record ' || $3 || ' came with other words than"
        " before; one is a copy, or its record was put back from an old one' FROM sites"
        " WHERE site = $1 AND NOT EXISTS (SELECT 1 FROM notices n WHERE n.site = sites.site"
        " AND n.kind = '" NOTICE_COPIED "' AND n.ended_ms IS NULL)"
        " ON CONFLICT (site, alarm, began_ms) DO NOTHING";
    static const char last[] = "UPDATE notices SET last_ms = $2 WHERE site = $1"
                               " AND kind = '" NOTICE_COPIED "' AND ended_ms IS NULL";
    char number[24];
    snprintf(number, sizeof number, "%lld", (long long)row->record->seq);
    const struct sql_value params[] = {sql_number(row->site), sql_number(wall_ms),
                                       sql_words(number)};
    enum sql_err err = sql_query(sql, begin, params, 3, NULL, NULL, NULL);
    return err == SQL_FINE ? sql_query(sql, last, params, 2, NULL, NULL, NULL) : err;
}

enum sql_err repeats_look(struct sql *sql, const struct ledger_row *rows, size_t count,
                          int64_t wall_ms)
{
    static const char text[] =
        "SELECT json FROM records WHERE site = $1 AND filed_ms = $2 AND seq = $3";
    enum sql_err err = SQL_FINE;
    for (size_t i = 0; i < count && err == SQL_FINE; i++) {
        const struct ledger_row *r = &rows[i];
        struct compared c = {.json = r->record->json};
        const struct sql_value key[] = {sql_number(r->site), sql_number(r->filed_ms),
                                        sql_number(r->record->seq)};
        err = sql_query(sql, text, key, 3, compare, &c, NULL);
        if (err == SQL_FINE && c.differ)
            err = tell(sql, r, wall_ms);
    }
    return err;
}
