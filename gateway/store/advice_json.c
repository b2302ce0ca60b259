#include "advice_json.h"

#include "model/event_json.h"

#include <math.h>
#include <string.h>

const char advice_caution[] =
    "Reckoned from the record, which may not come again as it was. Plugging a load in "
    "elsewhere is "
    "for whoever lives there; whatever is done inside a panel - a breaker moved, replaced or "
    "tested, a circuit added - is a licensed electrician's work, who also judges wires and "
    "receptacles that foretrip does not see. Local codes come first. foretrip advises, "
    "switches "
    "nothing and is no protective device.";

/* ---- in words ---- */

static const char *name_of(const struct site *s, int circuit, char out[256])
{
    return site_describe_circuit(s, circuit, out, 256);
}

static void say_load(const struct advice *a, struct text *out)
{
    bool known = strcmp(a->appliance, LOADS_UNKNOWN) != 0;
    if (a->most_amps - a->least_amps < 0.5)
        text_printf(out, "what draws %.1f A", a->usual_amps);
    else
        text_printf(out, "what draws %.1f to %.1f A", a->least_amps, a->most_amps);
    if (known)
        text_printf(out, " (taken to be: %s)", a->appliance);
}

static void say_warnings(const char *where, int before, int after, struct text *out)
{
    if (before || after)
        text_printf(out, " Warnings%s: %d before, %d after.", where, before, after);
}

void advice_say(const struct site *s, const struct advice *a, struct text *out)
{
    char from[256], to[256];
    name_of(s, a->circuit, from);
    switch (a->kind) {
    case ADVICE_MOVE:
        text_append(out, "Plug ");
        say_load(a, out);
        text_printf(out, " in at a receptacle of %s instead of %s.", name_of(s, a->to, to),
                    from);
        if (a->trips > 0)
            text_printf(out, " %d of %d trips by overload would not have come.",
                        a->trips_avoided, a->trips);
        text_printf(out, " Trips to be expected there by it: %.2f.", a->trips_added);
        say_warnings("", a->warnings, a->warnings_left, out);
        say_warnings(" on the other", a->to_warnings, a->to_warnings_left, out);
        return;
    case ADVICE_DEDICATED:
        text_printf(out, "On %s ", from);
        say_load(a, out);
        text_printf(
            out,
            " has earned a circuit of its own, by a licensed electrician: %d of %d trips "
            "by overload would not have come.",
            a->trips_avoided, a->trips);
        if (a->too_large)
            text_append(out, " It is more than a shared circuit of that rating is for.");
        say_warnings("", a->warnings, a->warnings_left, out);
        return;
    case ADVICE_TEST:
        text_printf(
            out,
            "Have %s tested, or replaced, by a licensed electrician: a sound one of its "
            "rating would have held %d of %d times that it opened. Chance that it is worn: "
            "%.0f %%.",
            from, a->trips_avoided, a->trips, 100.0 * a->worn_chance);
        return;
    }
}

void advice_say_balance(const struct site *s, const struct panel_balance *b, struct text *out)
{
    const struct balance_plan *p = &b->plan;
    const char *panel = s->panels[b->panel].name;
    if (p->moves == 0) {
        text_printf(
            out,
            "%s: its legs are best as they are%s; the neutral carries %.1f A (root mean "
            "square).",
            panel, p->proven ? "" : ", as far as was searched", p->neutral_before_amps);
        return;
    }
    text_printf(out, "%s: %s", panel, p->moves == 1 ? "one breaker" : "breakers");
    text_append(out, " to another leg, by a licensed electrician: ");
    for (int i = 0; i < p->moves; i++)
        text_printf(out, "%s%s (%s) from %c to %c", i ? ", " : "",
                    s->circuits[p->move[i].circuit].position,
                    s->circuits[p->move[i].circuit].name, p->move[i].from, p->move[i].to);
    text_printf(
        out,
        ". The neutral carries %.1f A then instead of %.1f A (root mean square), the worse "
        "leg at most %.1f A instead of %.1f A; quarters of an hour out of balance: %d "
        "instead of %d of %zu. %s",
        p->neutral_after_amps, p->neutral_before_amps, b->worse_after_amps,
        b->worse_before_amps, b->uneven_after, b->uneven_before, b->quarters,
        p->proven ? "No other plan is better at a twentieth of the mean square a move."
                  : "Not every plan could be tried.");
}

/* ---- JSON ---- */

static json_t *said(const struct text *t)
{
    return json_string(text_get(t));
}

static json_t *pair(int before, int after)
{
    return json_pack("{s:i, s:i}", "before", before, "after", after);
}

static json_t *one_json(const struct site *s, const struct advice *a)
{
    struct text words = TEXT_INIT;
    bool has_load = a->kind != ADVICE_TEST;
    json_t *ids = json_array();
    for (int i = 0; i < a->avoided_count; i++)
        json_array_append_new(ids, json_string(a->avoided[i]->id));
    advice_say(s, a, &words);
    json_t *load = has_load ? json_pack("{s:s, s:b, s:o, s:o, s:o, s:i}", "appliance",
                                        a->appliance, "by_name", a->by_name, "least_amps",
                                        event_json_number(a->least_amps, 0.01), "most_amps",
                                        event_json_number(a->most_amps, 0.01), "usual_amps",
                                        event_json_number(a->usual_amps, 0.01), "runs", a->runs)
                            : json_null();
    json_t *o =
        json_pack("{s:s, s:s, s:o, s:o, s:{s:i, s:i, s:o}, s:o, s:o, s:o, s:b, s:o, s:o}",
                  "kind", advice_kind_name(a->kind), "circuit", s->circuits[a->circuit].id,
                  "to", a->to >= 0 ? json_string(s->circuits[a->to].id) : json_null(), "load",
                  load, "trips", "before", a->trips, "avoided", a->trips_avoided, "added",
                  event_json_number(a->trips_added, 0.001), "warnings",
                  has_load ? pair(a->warnings, a->warnings_left) : json_null(), "to_warnings",
                  a->to >= 0 ? pair(a->to_warnings, a->to_warnings_left) : json_null(),
                  "avoided", ids, "too_large", a->too_large, "worn_chance",
                  has_load ? json_null() : event_json_number(a->worn_chance, 0.001), "text",
                  said(&words));
    text_free(&words);
    return o;
}

static json_t *balance_json(const struct site *s, const struct panel_balance *b)
{
    struct text words = TEXT_INIT;
    json_t *moves = json_array();
    for (int i = 0; i < b->plan.moves; i++) {
        const struct balance_move *m = &b->plan.move[i];
        json_array_append_new(moves, json_pack("{s:s, s:s%, s:s%}", "circuit",
                                               s->circuits[m->circuit].id, "from", &m->from,
                                               (size_t)1, "to", &m->to, (size_t)1));
    }
    advice_say_balance(s, b, &words);
    json_t *o = json_pack(
        "{s:s, s:b, s:I, s:I, s:o, s:o, s:o, s:o, s:i, s:i, s:o, s:o}", "panel",
        s->panels[b->panel].id, "proven", b->plan.proven, "quarters", (json_int_t)b->quarters,
        "movable", (json_int_t)b->movable, "neutral_before_amps",
        event_json_number(b->plan.neutral_before_amps, 0.01), "neutral_after_amps",
        event_json_number(b->plan.neutral_after_amps, 0.01), "worse_before_amps",
        event_json_number(b->worse_before_amps, 0.01), "worse_after_amps",
        event_json_number(b->worse_after_amps, 0.01), "uneven_before", b->uneven_before,
        "uneven_after", b->uneven_after, "moves", moves, "text", said(&words));
    text_free(&words);
    return o;
}

json_t *advice_json(const struct site *s, const struct advice *advice, size_t count,
                    const struct panel_balance *balance, size_t balance_count,
                    int64_t from_wall_ms, int64_t to_wall_ms)
{
    json_t *list = json_array(), *legs = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, one_json(s, &advice[i]));
    for (size_t i = 0; i < balance_count; i++)
        json_array_append_new(legs, balance_json(s, &balance[i]));
    return json_pack("{s:s, s:o, s:o, s:s, s:o, s:o}", "site", s->id, "from",
                     event_json_time(from_wall_ms), "to", event_json_time(to_wall_ms),
                     "caution", advice_caution, "advice", list, "balance", legs);
}
