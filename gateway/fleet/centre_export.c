#include "centre_api.h"

#include "csv.h"
#include "orders.h"
#include "portfolio.h"

#include <string.h>

#define DAY_MS INT64_C(86400000)
#define MOST_ROWS 100000 /* of a table */

#define HEAD(c, ...)                                                                           \
    do {                                                                                       \
        static const char *const head_[] = {__VA_ARGS__};                                      \
        csv_head(c, head_, sizeof head_ / sizeof head_[0]);                                    \
    } while (0)

/* the table is the answer */
static void send(struct text *t, const char *filename, struct web_answer *out)
{
    out->kind = WEB_BODY;
    out->status = 200;
    out->type = "text/csv; charset=utf-8; header=present";
    out->filename = filename;
    if (t->failed)
        web_error(out, 503, "memory is short, try again");
    else {
        out->body = *t;
        *t = (struct text)TEXT_INIT;
    }
    text_free(t);
}

static void put_site(struct csv *c, const struct portfolio_site *s)
{
    csv_words(c, s->id);
    csv_words(c, s->name);
    csv_words(c, s->building);
    csv_words(c, s->unit);
}

static bool put_unit(void *context, const struct portfolio_unit *u)
{
    struct csv *c = context;
    put_site(c, &u->site);
    csv_words(c, u->site.online ? "yes" : "no");
    csv_time(c, u->site.heard_ms);
    csv_number(c, u->urgent);
    csv_number(c, u->high);
    csv_number(c, u->low);
    csv_number(c, u->trips);
    csv_time(c, u->last_trip_ms);
    csv_end_line(c);
    return !c->out->failed;
}

void centre_units_csv(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    struct text t = TEXT_INIT;
    struct csv csv = {.out = &t};
    if (!web_query_only(c->r, names, out))
        return;
    HEAD(&csv, "unit", "name", "building", "place", "online", "heard_at", "urgent", "high",
         "low", "trips_30_days", "last_trip_at");
    if (centre_failed(
            c,
            portfolio_units(c->sql, c->wall_ms - 30 * DAY_MS, NULL, MOST_ROWS, put_unit, &csv),
            out))
        text_free(&t);
    else
        send(&t, "units.csv", out);
}

static bool put_trip(void *context, const struct portfolio_trip *p)
{
    struct csv *c = context;
    put_site(c, &p->site);
    csv_words(c, p->trip);
    csv_words(c, p->panel);
    csv_words(c, p->circuit);
    csv_time(c, p->opened_ms);
    csv_words(c, p->stage);
    csv_real(c, p->probability, 4);
    csv_words(c, p->cause);
    csv_time(c, p->restored_ms);
    csv_real(c, p->seconds_held, 1);
    csv_end_line(c);
    return !c->out->failed;
}

void centre_trips_csv(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "building", "unit", NULL};
    int64_t to = c->wall_ms, from;
    struct text t = TEXT_INIT;
    struct csv csv = {.out = &t};
    if (!web_query_only(c->r, names, out) || !web_query_time(c->r, "to", &to, out))
        return;
    from = to - 365 * DAY_MS;
    if (!web_query_time(c->r, "from", &from, out))
        return;
    const struct portfolio_scope scope = {.site_id = web_query(c->r, "unit"),
                                          .building = web_query(c->r, "building")};
    HEAD(&csv, "unit", "name", "building", "place", "trip", "panel", "circuit", "opened_at",
         "stage", "probability", "cause", "restored_at", "opened_again_after_seconds");
    if (centre_failed(c, portfolio_trips(c->sql, from, to, &scope, MOST_ROWS, put_trip, &csv),
                      out))
        text_free(&t);
    else
        send(&t, "trips.csv", out);
}

static bool put_alarm(void *context, const struct portfolio_alarm *a)
{
    struct csv *c = context;
    put_site(c, &a->site);
    csv_words(c, a->alarm);
    csv_words(c, a->panel);
    csv_words(c, a->circuit);
    csv_words(c, a->kind);
    csv_words(c, a->priority);
    csv_words(c, a->state);
    csv_words(c, a->alert ? "yes" : "no");
    csv_time(c, a->raised_ms);
    csv_end_line(c);
    return !c->out->failed;
}

void centre_alarms_csv(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    struct text t = TEXT_INIT;
    struct csv csv = {.out = &t};
    if (!web_query_only(c->r, names, out))
        return;
    HEAD(&csv, "unit", "name", "building", "place", "alarm", "panel", "circuit", "kind",
         "priority", "state", "alert", "raised_at");
    if (centre_failed(c, portfolio_alarms(c->sql, NULL, MOST_ROWS, put_alarm, &csv), out))
        text_free(&t);
    else
        send(&t, "alarms.csv", out);
}

static bool put_order(void *context, const struct order *o)
{
    struct csv *c = context;
    csv_number(c, o->number);
    csv_words(c, order_state_name(o->state));
    csv_words(c, o->unit);
    csv_words(c, o->name);
    csv_words(c, o->building);
    csv_words(c, o->place);
    csv_words(c, o->title);
    csv_words(c, o->circuit);
    csv_words(c, o->trip);
    csv_words(c, o->alarm);
    csv_words(c, o->contractor);
    csv_time(c, o->made_ms);
    csv_time(c, o->due_ms);
    csv_time(c, o->until_ms);
    csv_time(c, o->changed_ms);
    csv_end_line(c);
    return !c->out->failed;
}

void centre_orders_csv(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    struct text t = TEXT_INIT;
    struct csv csv = {.out = &t};
    const struct orders_wanted all = {.most = MOST_ROWS};
    if (!web_query_only(c->r, names, out))
        return;
    HEAD(&csv, "order", "state", "unit", "name", "building", "place", "title", "circuit",
         "trip", "alarm", "contractor", "made_at", "due_at", "until", "changed_at");
    if (centre_failed(c, orders_read(c->sql, &all, put_order, &csv), out))
        text_free(&t);
    else
        send(&t, "orders.csv", out);
}
