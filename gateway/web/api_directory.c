/* The panel directory, and a tracing as it goes. */
#include "api.h"

#include "web.h"

#include "analysis/directory_csv.h"
#include "analysis/directory_json.h"
#include "analysis/trace_json.h"
#include "model/event_json.h"
#include "store/store_directory.h"
#include "store/traced.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_ROWS 500
#define LEAD_MS 8000 /* from asking for a plan to its first beat */

/* ---- the directory ---- */

struct reading {
    struct directory_record record;
    struct directory_load *loads;
    size_t load_count;
    struct directory directory;
};

static bool take_loads(const struct api_call *c, struct reading *r)
{
    struct text known = TEXT_INIT;
    bool good = true;
    for (size_t i = 0; good && i < c->x->site->circuit_count; i++) {
        text_clear(&known);
        board_append_known(c->x->board, i, &known);
        json_t *list = json_loads(text_get(&known), 0, NULL);
        good = list && directory_add_loads(list, (int)i, &r->loads, &r->load_count);
        json_decref(list);
    }
    text_free(&known);
    return good;
}

/* False having answered; free_reading in any case. */
static bool read_directory(const struct api_call *c, struct reading *r, struct web_answer *out)
{
    *r = (struct reading){0};
    if (api_store_failed(store_read_directory(c->reader, &r->record), out))
        return false;
    if ((c->discreet || take_loads(c, r)) &&
        directory_build(c->x->site, &r->record, r->loads, r->load_count, &r->directory))
        return true;
    web_error(out, 500, "memory is short");
    return false;
}

static void free_reading(struct reading *r)
{
    directory_free(&r->directory);
    directory_record_free(&r->record);
    free(r->loads);
}

void api_directory(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"panel", NULL};
    const char *panel = web_query(c->r, "panel");
    int which = panel ? site_find_panel(c->x->site, panel) : -1;
    struct reading r;
    if (!web_query_only(c->r, names, out))
        return;
    if (panel && which < 0) {
        web_error(out, 404, "there is no panel %s", panel);
        return;
    }
    if (read_directory(c, &r, out))
        web_json(out, directory_json(&r.directory, r.loads, r.load_count, which, c->discreet));
    free_reading(&r);
}

void api_directory_csv(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    struct reading r;
    if (!web_query_only(c->r, names, out))
        return;
    if (read_directory(c, &r, out)) {
        directory_write_csv(&r.directory, &out->body);
        web_json_text(out);
        out->type = "text/csv; charset=utf-8";
        out->filename = "panel-directory.csv";
    }
    free_reading(&r);
}

static bool add_change(void *context, const struct store_directory_change *d)
{
    json_t *o = json_pack("{s:I, s:o, s:s, s:s, s:s, s:s, s:s, s:s, s:s}", "id",
                          (json_int_t)d->id, "time", event_json_time(d->wall_ms), "who", d->who,
                          "panel", d->panel, "position", d->position, "what", d->what,
                          "subject", d->subject, "before", d->before, "after", d->after);
    return o && json_array_append_new(context, o) == 0;
}

void api_directory_changes(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"before", "most", NULL};
    int64_t before = 0, most = 100;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "before", 1, INT64_MAX, &before, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out))
        return;
    json_t *list = json_array();
    enum store_err err =
        store_read_directory_changes(c->reader, before, (size_t)most, add_change, list);
    if (api_store_failed(err, out))
        json_decref(list);
    else
        web_json(out, json_pack("{s:o, s:b}", "changes", list, "more",
                                json_array_size(list) >= (size_t)most));
}

/* ---- changing it: on the engine's thread ---- */

static void ask_directory(const struct api_call *c, const char *act, struct web_answer *out)
{
    json_t *o = guard_body(c->r, out);
    if (o)
        api_ask(c, o, WEB_DIRECTORY, "act", act, out);
}

void api_directory_keep(const struct api_call *c, struct web_answer *out)
{
    ask_directory(c, "keep", out);
}

void api_directory_place(const struct api_call *c, struct web_answer *out)
{
    ask_directory(c, "place", out);
}

void api_directory_forget(const struct api_call *c, struct web_answer *out)
{
    ask_directory(c, "forget", out);
}

void api_directory_purpose(const struct api_call *c, struct web_answer *out)
{
    ask_directory(c, "purpose", out);
}

void api_directory_import(const struct api_call *c, struct web_answer *out)
{
    ask_directory(c, "import", out);
}

/* ---- a tracing ---- */

/* the query into *t; without a beginning, a plan that begins soon. False having answered. */
static bool take_tracing(const struct api_call *c, struct traced *t, struct web_answer *out)
{
    static const char *const names[] = {"begins", "tries", "amps", "light", NULL};
    const char *begins = web_query(c->r, "begins"), *amps = web_query(c->r, "amps");
    int64_t tries = 1;
    *t = (struct traced){.begins_wall_ms = {(c->wall_ms + LEAD_MS) / 1000 * 1000},
                         .count = 1,
                         .tries = 1,
                         .amps = NAN};
    if (!web_query_only(c->r, names, out) ||
        !web_query_switch(c->r, "light", &t->is_light, out) ||
        !web_query_number(c->r, "tries", 1, TRACE_TRIES, &tries, out))
        return false;
    const char *fault = begins ? traced_parse(begins, t) : NULL;
    if (!fault && (size_t)tries > t->count)
        fault = "tries is 1 to 4, and no more than there are beginnings";
    if (!fault && amps) {
        char *end;
        t->amps = strtod(amps, &end);
        fault =
            *end || !(t->amps > 0.0 && t->amps < 1000.0) ? "amps is a number above 0" : NULL;
    }
    t->tries = (size_t)tries;
    if (fault)
        web_error(out, 400, "%s", fault);
    return !fault;
}

void api_trace(const struct api_call *c, struct web_answer *out)
{
    struct traced t;
    struct trace_plan plan;
    struct trace_result result;
    bool complete = false;
    int64_t from, to;
    if (!take_tracing(c, &t, out))
        return;
    traced_span(c->x->site, &t, &plan, &from, &to);
    if (c->wall_ms >= to &&
        api_store_failed(traced_judge(c->reader, c->x->site, &t, NULL, &complete, &result),
                         out))
        return;
    const char *state = complete                           ? "judged"
                        : c->wall_ms >= to                 ? "reading"
                        : c->wall_ms >= plan.at_wall_ms[0] ? "switching"
                                                           : "planned";
    web_json(out, json_pack("{s:o, s:o, s:s, s:o, s:o}", "now", event_json_time(c->wall_ms),
                            "begin", event_json_time(plan.at_wall_ms[0]), "state", state,
                            "plan", trace_plan_json(&plan), "result",
                            complete ? trace_result_json(c->x->site, &result) : json_null()));
}
