#include "report.h"

#include "days.h"
#include "notices.h"
#include "portfolio.h"

#include <math.h>
#include <string.h>

struct report {
    struct text *out;
    int64_t now_ms;
    size_t most, count;
};

/* "3 min", "5 h", "12 d" */
static void put_age(struct text *out, int64_t ms)
{
    int64_t minutes = ms / 60000;
    if (minutes < 120)
        text_printf(out, "%3lld min", (long long)minutes);
    else if (minutes < 2880)
        text_printf(out, "%3lld h  ", (long long)minutes / 60);
    else
        text_printf(out, "%3lld d  ", (long long)minutes / 1440);
}

static bool put_notice(void *context, const struct notice *n)
{
    struct report *r = context;
    if (n->text[0])
        text_printf(r->out, "%s: %s\n", n->kind, n->text);
    if (n->site[0])
        return true; /* the unit is in the list below */
    text_printf(r->out, "%s: %lld units, for ", n->kind, (long long)n->units);
    put_age(r->out, r->now_ms - n->began_ms);
    text_append(r->out, "\n");
    return true;
}

static bool put_need(void *context, const struct portfolio_need *n)
{
    struct report *r = context;
    if (r->count++ >= r->most)
        return true;
    put_age(r->out, r->now_ms - n->since_ms);
    text_printf(r->out, "  %-21s %-9s %-12s %s", portfolio_reason_name(n->reason), n->circuit,
                n->site.id, n->site.name);
    if (n->others > 0)
        text_printf(r->out, " (and %zu more)", n->others);
    text_append(r->out, "\n");
    return true;
}

#define DAYS_MS INT64_C(129600000) /* a day and a half: every unit's last midnight */

static enum sql_err put_days(struct sql *s, int64_t now_ms, struct text *out)
{
    struct days_sums d;
    enum sql_err err = days_sum(s, now_ms - DAYS_MS, &d);
    if (err != SQL_FINE || d.units == 0)
        return err;
    text_printf(out,
                "the last day of %lld units: %.0f kWh, %lld trips, %lld warnings, %lld other "
                "alarms",
                (long long)d.units, d.kwh, (long long)d.trips, (long long)d.warnings,
                (long long)d.alarms);
    if (!isnan(d.peak_watts))
        text_printf(out, "; the most over a quarter of an hour %.1f kW (%s)",
                    d.peak_watts / 1000.0, d.peak_site);
    text_append(out, "\n");
    return err;
}

enum sql_err report_portfolio(struct sql *s, int64_t now_ms, size_t most, struct text *out)
{
    struct report r = {.out = out, .now_ms = now_ms, .most = most};
    struct portfolio_sums sums;
    enum sql_err err = portfolio_sums(s, now_ms, &sums);
    if (err == SQL_FINE)
        text_printf(out,
                    "%lld units, %lld connected; alarms standing: %lld urgent, %lld high\n",
                    (long long)sums.sites, (long long)sums.online, (long long)sums.urgent,
                    (long long)sums.high);
    if (err == SQL_FINE)
        err = put_days(s, now_ms, out);
    if (err == SQL_FINE)
        err = notices_read(s, INT64_MAX, 1000, put_notice, &r);
    if (err == SQL_FINE)
        err = portfolio_needs(s, now_ms, NULL, put_need, &r);
    if (err == SQL_FINE && r.count == 0)
        text_append(out, "nobody needs anybody\n");
    if (r.count > r.most)
        text_printf(out, "and %zu units more\n", r.count - r.most);
    return err;
}
