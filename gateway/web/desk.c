#include "desk.h"

#include "api.h"

#include "analysis/study_json.h"
#include "store/advice_json.h"
#include "store/advice_record.h"
#include "store/site_demand.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define KEPT 4
#define KEPT_ADVICE_MS INT64_C(3600000)
#define KEPT_STUDY_MS INT64_C(900000)
#define KEPT_SHARE 100 /* of the record's length */

/* how far the record had come */
struct position {
    int64_t first_wall_ms, last_wall_ms;
    int64_t trip_seq; /* of what was said of a trip last */
};

struct kept {
    char *verb_and_body; /* NULL: none */
    struct text answer;
    struct position at;
};

struct desk {
    const struct web_context *x;
    struct kept kept[KEPT];
    size_t next; /* the oldest */
};

struct task {
    const struct web_context *x;
    struct store_reader *reader;
    int64_t from, to;
};

json_t *desk_span_json(const struct desk_span *s)
{
    return json_pack("{s:I, s:I, s:I}", "from", (json_int_t)s->from_wall_ms, "to",
                     (json_int_t)s->to_wall_ms, "usual", (json_int_t)s->usual_ms);
}

struct desk *desk_create(const struct web_context *x)
{
    struct desk *d = calloc(1, sizeof *d);
    if (d)
        d->x = x;
    return d;
}

static void drop(struct kept *k)
{
    free(k->verb_and_body);
    text_free(&k->answer);
    *k = (struct kept){0};
}

void desk_destroy(struct desk *d)
{
    for (size_t i = 0; d && i < KEPT; i++)
        drop(&d->kept[i]);
    free(d);
}

/* ---- what lies on the desk ---- */

static bool take_seq(void *context, const struct store_trip_row *row)
{
    int64_t *most = context;
    *most = row->seq > *most ? row->seq : *most;
    return true;
}

#define TRIPS_LOOKED_AT 20 /* what is said of a trip may come after the next one's */

/* false having answered */
static bool find_position(struct store_reader *r, struct position *p, struct web_answer *out)
{
    *p = (struct position){0};
    return !api_store_failed(history_ends(r, &p->first_wall_ms, &p->last_wall_ms), out) &&
           !api_store_failed(
               store_read_trips(r, 0, 0, false, TRIPS_LOOKED_AT, take_seq, &p->trip_seq), out);
}

static bool still_holds(const struct position *then, const struct position *now, int64_t most)
{
    int64_t share = (now->last_wall_ms - now->first_wall_ms) / KEPT_SHARE;
    int64_t grown = now->last_wall_ms - then->last_wall_ms;
    return then->trip_seq == now->trip_seq && then->first_wall_ms == now->first_wall_ms &&
           grown >= 0 && grown <= (share < most ? share : most);
}

static bool find_kept(struct desk *d, const char *question, const struct position *now,
                      int64_t most, struct web_answer *out)
{
    for (size_t i = 0; i < KEPT; i++) {
        struct kept *k = &d->kept[i];
        if (!k->verb_and_body || strcmp(k->verb_and_body, question) != 0)
            continue;
        if (!still_holds(&k->at, now, most)) {
            drop(k);
            continue;
        }
        text_append(&out->body, text_get(&k->answer));
        web_json_text(out);
        return true;
    }
    return false;
}

static void keep(struct desk *d, char *question, const struct position *at,
                 const struct web_answer *a)
{
    struct kept *k = &d->kept[d->next];
    d->next = (d->next + 1) % KEPT;
    drop(k);
    *k = (struct kept){.verb_and_body = question, .at = *at};
    text_append(&k->answer, text_get(&a->body));
    if (k->answer.failed)
        drop(k);
}

/* ---- the question ---- */

/* what is asked, where there are readings */
static void take_span(struct task *d, const struct position *p, json_t *q)
{
    json_t *span = json_object_get(q, "span");
    int64_t first = p->first_wall_ms, last = p->last_wall_ms;
    d->from = json_integer_value(json_object_get(span, "from"));
    d->to = json_integer_value(json_object_get(span, "to"));
    d->to = d->to && d->to < last ? d->to : last;
    if (!d->from)
        d->from = d->to - json_integer_value(json_object_get(span, "usual"));
    d->from = d->from > first ? d->from : first;
    if (d->to < d->from)
        d->to = d->from;
}

static bool is_set(json_t *q, const char *name)
{
    return json_is_true(json_object_get(q, name));
}

static void study(const struct task *d, json_t *q, struct web_answer *out)
{
    const struct study_question ask = {
        .circuit = (int)json_integer_value(json_object_get(q, "circuit")),
        .panel = (int)json_integer_value(json_object_get(q, "panel")),
        .addition = {.amps = json_number_value(json_object_get(q, "amps")),
                     .continuous = is_set(q, "continuous"),
                     .fastened = is_set(q, "fastened"),
                     .dedicated = is_set(q, "dedicated")}};
    const struct site *s = d->x->site;
    enum store_err err;
    struct site_demand *demand = site_demand_create(s, d->reader, d->from, d->to, &err);
    struct study_sheet *sheets = calloc(STUDY_MOST_SHEETS, sizeof *sheets);
    if (!api_store_failed(err, out) && sheets) {
        size_t n = study_ask(d->x->study, s, demand->circuits, demand->panels, &ask, sheets);
        web_json(out, study_json(d->x->study, s, &ask, sheets, n, d->from, d->to));
    } else if (!sheets) {
        web_error(out, 500, "memory is short");
    }
    free(sheets);
    site_demand_destroy(demand);
}

static void advice(const struct task *d, struct web_answer *out)
{
    const struct web_context *x = d->x;
    struct advice *list = calloc(ADVICE_MOST, sizeof *list);
    size_t legs = 0;
    enum store_err err, legs_err;
    struct panel_balance *balance =
        site_balance_create(x->site, x->rules, d->reader, d->from, d->to, &legs, &legs_err);
    struct advice_store *a =
        advice_store_open(x->site, x->rules, x->signatures, d->reader, d->from, d->to, &err);
    int n = -1;
    if (!api_store_failed(legs_err, out) && !api_store_failed(err, out)) {
        if (list)
            n = advice_find(advice_store_record(a), list);
        if (n >= 0)
            web_json(out, advice_json(x->site, list, (size_t)n, balance, legs, d->from, d->to));
        else if (!api_store_failed(advice_store_problem(a), out))
            web_error(out, 500, "memory is short, or what was learned is damaged");
    }
    advice_store_close(a);
    free(balance);
    free(list);
}

static char *question_of(const char *verb, const char *body)
{
    size_t size = strlen(verb) + strlen(body) + 2;
    char *q = malloc(size);
    if (q)
        snprintf(q, size, "%s %s", verb, body);
    return q;
}

void desk_answer(struct desk *d, struct store_reader *reader, const char *verb,
                 const char *body, struct web_answer *out, bool *kept)
{
    struct task t = {.x = d->x, .reader = reader};
    bool is_study = strcmp(verb, DESK_STUDY) == 0, found = false;
    char *question = question_of(verb, body);
    json_t *q = json_loads(body, 0, NULL);
    struct position at;
    if (!q || !question) {
        web_error(out, 500, "memory is short");
    } else if (!find_position(reader, &at, out)) {
        ; /* answered */
    } else if (find_kept(d, question, &at, is_study ? KEPT_STUDY_MS : KEPT_ADVICE_MS, out)) {
        found = true;
    } else {
        take_span(&t, &at, q);
        if (is_study)
            study(&t, q, out);
        else
            advice(&t, out);
        if (out->status == 200) {
            keep(d, question, &at, out);
            question = NULL;
        }
    }
    if (kept)
        *kept = found;
    free(question);
    json_decref(q);
}
