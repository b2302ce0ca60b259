/* Load studies and advice: the question is judged here, and goes to the desk (desk.h). */
#include "api.h"
#include "desk.h"

#include "model/event_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS INT64_C(86400000)
#define MOST_AMPS 10000.0

/* What the query says into the question, 0 where it says nothing; false having answered. */
static bool take_span(const struct api_call *c, int64_t usual_ms, struct desk_span *out_span,
                      struct web_answer *out)
{
    struct desk_span s = {.usual_ms = usual_ms};
    if (!web_query_time(c->r, "to", &s.to_wall_ms, out) ||
        !web_query_time(c->r, "from", &s.from_wall_ms, out))
        return false;
    int64_t to = s.to_wall_ms ? s.to_wall_ms : c->wall_ms;
    int64_t from = s.from_wall_ms ? s.from_wall_ms : to - usual_ms;
    *out_span = s;
    if (from < to && to - from <= 400 * DAY_MS)
        return true;
    web_error(out, 400, "from must be before to, by 400 days at the most");
    return false;
}

static bool take_place(const struct api_call *c, int *circuit, int *panel,
                       struct web_answer *out)
{
    const char *one = web_query(c->r, "circuit"), *all = web_query(c->r, "panel");
    *circuit = one ? site_find_circuit(c->x->site, one) : -1;
    *panel = all ? site_find_panel(c->x->site, all) : -1;
    if (one && all)
        web_error(out, 400, "a circuit or a panel, not both");
    else if (one && *circuit < 0)
        web_error(out, 404, "there is no circuit %.60s", one);
    else if (all && *panel < 0)
        web_error(out, 404, "there is no panel %.60s", all);
    else
        return true;
    return false;
}

static bool take_amps(const struct api_call *c, double *amps, struct web_answer *out)
{
    const char *text = web_query(c->r, "amps");
    char *end = NULL;
    *amps = text ? strtod(text, &end) : 0.0;
    if (!text || (end != text && !*end && *amps > 0.0 && *amps <= MOST_AMPS))
        return true;
    web_error(out, 400, "amps is no current; 0 to %.0f A is", MOST_AMPS);
    return false;
}

static void to_desk(json_t *question, const char *verb, struct web_answer *out)
{
    char *text = question ? event_json_dump(question) : NULL;
    json_decref(question);
    if (!text) {
        web_error(out, 500, "memory is short");
        return;
    }
    out->kind = WEB_DESK;
    out->status = 200;
    out->verb = verb;
    text_append(&out->body, text);
    free(text);
}

void api_study(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"circuit",   "panel", "amps", "continuous", "fastened",
                                        "dedicated", "from",  "to",   NULL};
    bool continuous = false, fastened = false, dedicated = false;
    int circuit, panel;
    double amps;
    struct desk_span span;
    if (web_query_only(c->r, names, out) && take_place(c, &circuit, &panel, out) &&
        take_amps(c, &amps, out) && web_query_switch(c->r, "continuous", &continuous, out) &&
        web_query_switch(c->r, "fastened", &fastened, out) &&
        web_query_switch(c->r, "dedicated", &dedicated, out) &&
        take_span(c, 366 * DAY_MS, &span, out))
        to_desk(json_pack("{s:i, s:i, s:f, s:b, s:b, s:b, s:o}", "circuit", circuit, "panel",
                          panel, "amps", amps, "continuous", continuous, "fastened", fastened,
                          "dedicated", dedicated, "span", desk_span_json(&span)),
                DESK_STUDY, out);
}

void api_advice(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", NULL};
    struct desk_span span;
    if (web_query_only(c->r, names, out) && take_span(c, 92 * DAY_MS, &span, out))
        to_desk(json_pack("{s:o}", "span", desk_span_json(&span)), DESK_ADVICE, out);
}
