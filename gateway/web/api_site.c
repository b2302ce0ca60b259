#include "api.h"

#include "discreet.h"

#include "model/event_json.h"

#include <string.h>

bool api_store_failed(enum store_err err, struct web_answer *out)
{
    if (err == STORE_OK)
        return false;
    web_error(out, err == STORE_ERR_OPEN || err == STORE_ERR_BUSY ? 503 : 500,
              "the record cannot be read at the moment: %s", store_strerror(err));
    return true;
}

int api_circuit_of(const struct api_call *c, struct web_answer *out)
{
    int circuit = site_find_circuit(c->x->site, c->id);
    if (circuit < 0)
        web_error(out, 404, "there is no circuit %s", c->id);
    return circuit;
}

int api_span_of(const struct api_call *c, struct web_answer *out, int64_t usual_ms,
                int64_t most_ms, const char *why, int64_t *from, int64_t *to)
{
    static const char *const names[] = {"from", "to", NULL};
    int circuit = api_circuit_of(c, out);
    *to = c->wall_ms;
    if (circuit < 0 || !web_query_only(c->r, names, out) ||
        !web_query_time(c->r, "to", to, out))
        return -1;
    *from = *to - usual_ms;
    if (!web_query_time(c->r, "from", from, out))
        return -1;
    if (*to <= *from || *to - *from > most_ms) {
        web_error(out, 400, "%s", why);
        return -1;
    }
    return circuit;
}

static json_t *panel_json(const struct site *s, const struct site_panel *p)
{
    json_t *o = json_pack("{s:s, s:s, s:i, s:o}", "panel", p->id, "name", p->name, "legs",
                          p->legs, "rating_amps", event_json_number(p->rating_amps, 0.1));
    json_object_set_new(o, "fed_by",
                        p->fed_by >= 0 ? json_string(s->circuits[p->fed_by].id) : json_null());
    return o;
}

static json_t *circuit_json(const struct site *s, const struct site_circuit *k)
{
    char type[2] = {k->type, '\0'};
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:i, s:s, s:o, s:s, s:b, s:b, s:b}", "circuit",
                          k->id, "panel", s->panels[k->panel].id, "position", k->position,
                          "name", k->name, "poles", k->poles, "leg", k->leg, "rating_amps",
                          event_json_number(k->breaker_amps, 0.1), "curve", type, "essential",
                          k->essential, "full_rated", k->full_rated, "metered", k->meter >= 0);
    json_object_set_new(o, "feeds",
                        k->feeds_panel >= 0 ? json_string(s->panels[k->feeds_panel].id)
                                            : json_null());
    return o;
}

void api_site(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    const struct site *s = c->x->site;
    if (!web_query_only(c->r, names, out))
        return;
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:o, s:s, s:b}", "site", s->id, "name", s->name,
                          "timezone", s->timezone, "standard",
                          s->standard == SITE_UL489 ? "UL489" : "IEC60898", "nominal_volts",
                          event_json_number(s->nominal_volts, 0.1), "version", FORETRIP_VERSION,
                          "charts", c->x->charts);
    json_t *panels = json_array(), *circuits = json_array();
    for (size_t i = 0; i < s->panel_count; i++)
        json_array_append_new(panels, panel_json(s, &s->panels[i]));
    for (size_t i = 0; i < s->circuit_count; i++)
        json_array_append_new(circuits, circuit_json(s, &s->circuits[i]));
    json_object_set_new(o, "panels", panels);
    json_object_set_new(o, "circuits", circuits);
    web_json(out, o);
}

static json_t *frame_time(const struct api_call *c)
{
    int64_t frame_wall_ms = board_frame_wall_ms(c->x->board);
    return frame_wall_ms ? event_json_time(frame_wall_ms) : json_null();
}

void api_status(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (!web_query_only(c->r, names, out))
        return;
    web_json(out, json_pack("{s:o, s:s, s:s, s:o, s:i}", "time", event_json_time(c->wall_ms),
                            "site", c->x->site->id, "version", FORETRIP_VERSION, "frame_at",
                            frame_time(c), "circuits", (int)c->x->site->circuit_count));
}

/* "frame_at" as text, for bodies that are put together from texts */
static void append_frame_time(const struct api_call *c, struct text *out)
{
    json_t *at = frame_time(c);
    text_append(out, "\"frame_at\":");
    if (json_is_string(at))
        text_printf(out, "\"%s\"", json_string_value(at));
    else
        text_append(out, "null");
    json_decref(at);
}

void api_circuits(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"panel", NULL};
    const char *panel = web_query(c->r, "panel");
    int index = panel ? site_find_panel(c->x->site, panel) : -1;
    if (!web_query_only(c->r, names, out))
        return;
    if (panel && index < 0) {
        web_error(out, 404, "there is no such panel");
        return;
    }
    text_append(&out->body, "{");
    append_frame_time(c, &out->body);
    text_append(&out->body, ",\"circuits\":[");
    if (c->discreet) {
        struct text states = TEXT_INIT;
        board_append_states(c->x->board, c->x->site, index, &states);
        discreet_states(text_get(&states), &out->body);
        text_free(&states);
    } else {
        board_append_states(c->x->board, c->x->site, index, &out->body);
    }
    text_append(&out->body, "]}");
    web_json_text(out);
}

void api_circuit(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    int circuit;
    if (!web_query_only(c->r, names, out) || (circuit = api_circuit_of(c, out)) < 0)
        return;
    text_append(&out->body, "{");
    append_frame_time(c, &out->body);
    text_append(&out->body, ",\"state\":");
    if (c->discreet) {
        struct text state = TEXT_INIT;
        board_append_state(c->x->board, (size_t)circuit, &state);
        discreet_states(text_get(&state), &out->body);
        text_free(&state);
        text_append(&out->body, ",\"known_loads\":[],\"circuit_is\":null}");
    } else {
        board_append_state(c->x->board, (size_t)circuit, &out->body);
        text_append(&out->body, ",\"known_loads\":");
        board_append_known(c->x->board, (size_t)circuit, &out->body);
        text_append(&out->body, ",\"circuit_is\":");
        board_append_whole(c->x->board, (size_t)circuit, &out->body);
        text_append(&out->body, "}");
    }
    web_json_text(out);
}

void api_loads(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (!web_query_only(c->r, names, out))
        return;
    json_t *list = json_array();
    for (size_t i = 0; i < c->x->site->circuit_count; i++) {
        struct text state = TEXT_INIT;
        board_append_state(c->x->board, i, &state);
        json_t *o = json_loads(text_get(&state), JSON_DECODE_ANY, NULL), *load;
        size_t k;
        json_array_foreach(json_object_get(o, "loads"), k, load)
        {
            json_t *mine = json_copy(load);
            json_object_set_new(mine, "circuit", json_string(c->x->site->circuits[i].id));
            json_array_append_new(list, mine);
        }
        json_decref(o);
        text_free(&state);
    }
    web_json(out, json_pack("{s:o, s:o}", "frame_at", frame_time(c), "loads", list));
}

void api_stream(const struct api_call *c, struct web_answer *out)
{
    (void)c;
    out->kind = WEB_STREAM;
    out->status = 200;
    out->type = "text/event-stream";
}

void api_phrases(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"language", NULL};
    const char *code = web_query(c->r, "language");
    const struct phrases_language *l = phrases_find(c->x->phrases, code ? code : "en");
    if (!web_query_only(c->r, names, out))
        return;
    if (!l) {
        web_error(out, 404, "there are no phrases in that language");
        return;
    }
    json_t *matters = json_object();
    for (int m = 0; m < MATTERS; m++)
        json_object_set_new(matters, matter_name((enum matter)m),
                            json_pack("{s:s, s:s?, s:s?}", "subject", l->subject[m], "what",
                                      l->what[m], "act", l->act[m]));
    json_t *figures = json_object(), *appliances = json_object();
    for (int f = 0; f < FIGURE_WHATS; f++)
        if (l->figures[f])
            json_object_set_new(figures, figure_name((enum figure_what)f),
                                json_string(l->figures[f]));
    for (size_t a = 0; a < l->appliance_count; a++)
        json_object_set_new(appliances, l->appliances[a].key,
                            json_string(l->appliances[a].name));
    web_json(out, json_pack("{s:s, s:o, s:o, s:o}", "language", l->code, "matters", matters,
                            "figures", figures, "appliances", appliances));
}
