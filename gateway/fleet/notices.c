#include "notices.h"

#include "portfolio.h"

#include <string.h>

const char *notices_story(const char *kind, const char *panel, const char *circuit)
{
    return strcmp(kind, "trip") == 0 && !panel[0] && !circuit[0] ? NOTICE_OUTAGE : "";
}

enum sql_err notices_tend(struct sql *s, int64_t wall_ms)
{
    /* one for each raising of an alarm that nobody has seen */
    static const char begin[] =
        "INSERT INTO notices (kind, priority, site, alarm, began_ms, last_ms, text)"
        " SELECT kind, priority, site, alarm, raised_ms, changed_ms, '' FROM alarms"
        " WHERE state <> 'normal' AND state = 'unacknowledged' AND alert = 0 AND story = ''"
        " AND priority IN ('urgent', 'high') ON CONFLICT (site, alarm, began_ms) DO NOTHING";
    /* "+ 0": by the alarm's key, not by the index of when alarms were raised. What befalls many
     * in the same millisecond would be gone through for each of them */
    static const char end[] =
        "UPDATE notices SET ended_ms = $1 WHERE ended_ms IS NULL AND site IS NOT NULL"
        " AND kind <> '" NOTICE_COPIED
        "' AND NOT EXISTS (SELECT 1 FROM alarms a WHERE a.site = notices.site"
        " AND a.alarm = notices.alarm AND a.state <> 'normal'"
        " AND a.raised_ms + 0 = notices.began_ms)";
    static const char outage[] =
        "INSERT INTO notices (kind, priority, began_ms, last_ms, units, text)"
        " SELECT '" NOTICE_OUTAGE "', 'high', min(raised_ms), $1, count(*), '' FROM alarms"
        " WHERE story = '" NOTICE_OUTAGE "' AND state IN ('unacknowledged', 'acknowledged')"
        " HAVING count(*) > 0 ON CONFLICT (kind) WHERE ended_ms IS NULL AND site IS NULL"
        " DO UPDATE SET last_ms = excluded.last_ms, units = CASE WHEN"
        " excluded.units > notices.units THEN excluded.units ELSE notices.units END"
        " WHERE excluded.units > notices.units";
    static const char outage_over[] =
        "UPDATE notices SET ended_ms = $1 WHERE ended_ms IS NULL AND site IS NULL"
        " AND kind = '" NOTICE_OUTAGE "' AND NOT EXISTS (SELECT 1 FROM alarms"
        " WHERE story = '" NOTICE_OUTAGE "' AND state IN ('unacknowledged', 'acknowledged'))";
    static const char quiet[] =
        "INSERT INTO notices (kind, priority, began_ms, last_ms, units, text)"
        " SELECT '" NOTICE_QUIET "', 'low', min(heard_ms), $1, count(*), '' FROM sites"
        " WHERE heard_ms > 0 AND heard_ms < $2"
        " HAVING count(*) > 0 ON CONFLICT (kind) WHERE ended_ms IS NULL AND site IS NULL"
        " DO UPDATE SET last_ms = excluded.last_ms, units = excluded.units"
        " WHERE excluded.units > notices.units";
    static const char quiet_over[] =
        "UPDATE notices SET ended_ms = $1 WHERE ended_ms IS NULL AND site IS NULL"
        " AND kind = '" NOTICE_QUIET "' AND NOT EXISTS (SELECT 1 FROM sites"
        " WHERE heard_ms > 0 AND heard_ms < $2)";
    static const struct {
        const char *text;
        size_t params;
    } steps[] = {{begin, 0},       {end, 1},   {outage, 1},
                 {outage_over, 1}, {quiet, 2}, {quiet_over, 2}};
    const struct sql_value params[] = {sql_number(wall_ms),
                                       sql_number(wall_ms - PORTFOLIO_QUIET_MS)};
    enum sql_err err = SQL_FINE;
    for (size_t i = 0; i < sizeof steps / sizeof steps[0] && err == SQL_FINE; i++)
        err = sql_query(s, steps[i].text, params, steps[i].params, NULL, NULL, NULL);
    return err;
}

struct handing {
    notice_fn *fn;
    void *context;
};

static bool hand_on(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct notice n = {.notice = sql_as_number(&row[0]),
                             .kind = sql_as_words(&row[1]),
                             .priority = sql_as_words(&row[2]),
                             .site = sql_as_words(&row[3]),
                             .name = sql_as_words(&row[4]),
                             .alarm = sql_as_words(&row[5]),
                             .began_ms = sql_as_number(&row[6]),
                             .last_ms = sql_as_number(&row[7]),
                             .ended_ms = sql_as_number(&row[8]),
                             .units = sql_as_number(&row[9]),
                             .json = sql_as_words(&row[10]),
                             .text = sql_as_words(&row[11])};
    return h->fn(h->context, &n);
}

enum sql_err notices_read(struct sql *s, int64_t ended_after_ms, size_t most, notice_fn *fn,
                          void *context)
{
    const struct sql_value params[] = {sql_number(ended_after_ms), sql_number((int64_t)most)};
    return sql_query(s,
                     "SELECT n.notice, n.kind, n.priority, s.id, s.name, n.alarm, n.began_ms,"
                     " n.last_ms, n.ended_ms, n.units, a.json, n.text FROM notices n"
                     " LEFT JOIN sites s ON s.site = n.site"
                     " LEFT JOIN alarms a ON a.site = n.site AND a.alarm = n.alarm"
                     " WHERE n.ended_ms IS NULL OR n.ended_ms > $1"
                     " ORDER BY n.began_ms DESC LIMIT $2",
                     params, 2, hand_on, &(struct handing){fn, context}, NULL);
}
