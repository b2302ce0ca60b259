#include "desk.h"

#include "api.h"

#include "analysis/study_json.h"
#include "store/advice_json.h"
#include "store/advice_record.h"
#include "store/site_demand.h"

#include <stdlib.h>
#include <string.h>

struct desk {
    const struct web_context *x;
    struct store_reader *reader;
    int64_t from, to;
};

/* what is asked, where there are readings; false having answered */
static bool take_span(struct desk *d, json_t *q, struct web_answer *out)
{
    int64_t first, last;
    if (api_store_failed(history_ends(d->reader, &first, &last), out))
        return false;
    d->from = json_integer_value(json_object_get(q, "from"));
    d->to = json_integer_value(json_object_get(q, "to"));
    d->from = d->from > first ? d->from : first;
    d->to = d->to < last ? d->to : last;
    if (d->to < d->from)
        d->to = d->from;
    return true;
}

static bool is_set(json_t *q, const char *name)
{
    return json_is_true(json_object_get(q, name));
}

static void study(const struct desk *d, json_t *q, struct web_answer *out)
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

static void advice(const struct desk *d, struct web_answer *out)
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

void desk_answer(const struct web_context *x, struct store_reader *reader, const char *verb,
                 const char *body, struct web_answer *out)
{
    struct desk d = {.x = x, .reader = reader};
    json_t *q = json_loads(body, 0, NULL);
    if (!q)
        web_error(out, 500, "memory is short");
    else if (!take_span(&d, q, out))
        ; /* answered */
    else if (strcmp(verb, DESK_STUDY) == 0)
        study(&d, q, out);
    else
        advice(&d, out);
    json_decref(q);
}
