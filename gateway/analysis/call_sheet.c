#include "call_sheet.h"

#include "model/call_json.h"
#include "model/event_json.h"

#include <math.h>
#include <string.h>

static json_t *words_json(struct text *t)
{
    json_t *v = json_string(text_get(t));
    text_free(t);
    return v;
}

static json_t *list_json(const char *const *list, size_t most)
{
    json_t *array = json_array();
    for (size_t i = 0; i < most && list[i]; i++)
        json_array_append_new(array, json_string(list[i]));
    return array;
}

static json_t *breaker_json(const struct site *s, const struct call *c)
{
    const struct site_circuit *k = &s->circuits[c->circuit];
    const struct site_panel *p = &s->panels[k->panel];
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:i, s:b, s:b}", "circuit", k->id,
                          "position", k->position, "name", k->name, "panel", p->id,
                          "panel_name", p->name, "leg", k->leg, "poles", k->poles, "essential",
                          k->essential, "feeds_panel", k->feeds_panel >= 0);
    json_object_set_new(o, "rating_amps", event_json_number(k->breaker_amps, 0.1));
    return o;
}

/* what an answer takes along, and how it is meant */
static const char *takes(enum call_answer a)
{
    return a == CALL_SAID_CONNECTED || a == CALL_SAID_RUNS ? "name" : "";
}

static const char *tone(enum call_answer a)
{
    switch (a) {
    case CALL_SAID_OPENED: return "bad";
    case CALL_SAID_MAY_NOT:
    case CALL_SAID_AT_OFF:
    case CALL_SAID_AT_ON:
    case CALL_SAID_NOT_FOUND:
    case CALL_SAID_SOMEBODY:
    case CALL_SAID_SWITCHED_OFF:
    case CALL_SAID_ALL_BACK:
    case CALL_SAID_NOT_ME: return "other";
    default: return "good";
    }
}

static json_t *choices_json(const struct call *c, enum call_language l)
{
    enum call_answer list[CALL_MOST_CHOICES];
    size_t n = call_choices(c->stage, list);
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++) {
        bool first_too_much = c->stage == CALL_TOO_MUCH && list[i] == CALL_SAID_SWITCHED_OFF;
        json_array_append_new(
            array, json_pack("{s:s, s:s, s:s, s:s}", "answer", call_answer_name(list[i]),
                             "words", call_texts_answer(c->stage, list[i], l), "tone",
                             first_too_much ? "good" : tone(list[i]), "takes", takes(list[i])));
    }
    return array;
}

static json_t *dangers_json(enum call_language l)
{
    json_t *array = json_array();
    for (int d = CALL_DANGER_HEAT; d < CALL_DANGERS; d++)
        json_array_append_new(array, json_pack("{s:s, s:s}", "danger",
                                               call_danger_name((enum call_danger)d), "words",
                                               call_texts_danger((enum call_danger)d, l)));
    return array;
}

static json_t *asked_json(const struct site *s, const struct phrases *p, const struct call *c,
                          enum call_language l)
{
    struct text title = TEXT_INIT, sentences = TEXT_INIT;
    enum call_who who = call_texts_who(s, c);
    if (c->stage == CALL_ENDED)
        return json_null();
    call_texts_asked(s, p, c, l, &title, &sentences);
    json_t *o = json_object();
    json_object_set_new(o, "stage", json_string(call_stage_name(c->stage)));
    json_object_set_new(o, "question", json_integer(c->question));
    json_object_set_new(o, "title", words_json(&title));
    json_object_set_new(o, "text", words_json(&sentences));
    json_object_set_new(o, "who", json_string(call_who_name(who)));
    json_object_set_new(o, "who_may", json_string(call_texts_who_may(who, l)));
    json_object_set_new(o, "choices", choices_json(c, l));
    json_object_set_new(o, "dangers", dangers_json(l));
    return o;
}

static json_t *found_json(const struct site *s, const struct phrases *p, const struct call *c,
                          enum call_language l)
{
    struct text found = TEXT_INIT, act = TEXT_INIT;
    if (c->stage != CALL_ENDED)
        return json_null();
    call_texts_found(s, p, c, l, &found, &act);
    json_t *o = json_object();
    json_object_set_new(o, "finding", json_string(call_finding_name(c->finding)));
    json_object_set_new(o, "words", words_json(&found));
    json_object_set_new(o, "do", words_json(&act));
    json_object_set_new(o, "leave_off", json_boolean(call_finding_stops(c->finding)));
    json_object_set_new(o, "danger_words", json_string(call_texts_danger(c->danger, l)));
    json_object_set_new(o, "bring",
                        list_json(call_texts_bring(c->finding, l), CALL_MOST_BRING));
    return o;
}

/* the words of each load, and what those that run draw together */
static void add_loads(json_t *sheet, const struct site *s, const struct call *c,
                      enum call_language l)
{
    json_t *array = json_array();
    double sum_amps = 0.0;
    for (size_t i = 0; i < c->load_count; i++) {
        const struct call_load *k = &c->loads[i];
        json_array_append_new(array, json_string(call_texts_outcome(k->outcome, l)));
        if (k->outcome == CALL_LOAD_HELD && !isnan(k->amps))
            sum_amps += k->amps;
    }
    json_object_set_new(sheet, "outcomes", array);
    json_object_set_new(sheet, "running_amps", event_json_number(sum_amps, 0.001));
    json_object_set_new(
        sheet, "running_percent",
        event_json_number(100.0 * sum_amps / s->circuits[c->circuit].breaker_amps, 0.1));
}

static int find(const char *word, const char *(*name)(int), int count)
{
    for (int i = 0; word && i < count; i++)
        if (strcmp(name(i), word) == 0)
            return i;
    return 0;
}

static const char *answer_word(int i)
{
    return call_answer_name((enum call_answer)i);
}

static const char *sight_word(int i)
{
    return call_sight_name((enum call_sight)i);
}

static json_t *steps_json(const json_t *steps, enum call_language l)
{
    json_t *array = json_array();
    const json_t *one;
    size_t i;
    json_array_foreach(steps, i, one)
    {
        json_t *o =
            json_copy((json_t *)one); /* jansson counts references in what it is given */
        const char *said = json_string_value(json_object_get(o, "answer"));
        const char *saw = json_string_value(json_object_get(o, "saw"));
        const char *words =
            said ? call_texts_said((enum call_answer)find(said, answer_word, CALL_ANSWERS), l)
                 : call_texts_saw((enum call_sight)find(saw, sight_word, CALL_SIGHTS), l);
        json_object_set_new(o, "words", json_string(words));
        json_array_append_new(array, o);
    }
    return array;
}

json_t *call_sheet(const struct site *s, const struct phrases *p, enum call_language l,
                   const json_t *call, const json_t *steps, const json_t *trip)
{
    struct call c;
    if (!call_from_json(s, call, &c))
        return NULL;
    json_t *o = json_object();
    if (!o)
        return NULL;
    json_object_set_new(o, "language", json_string(call_language_code(l)));
    json_object_set(o, "call", (json_t *)call);
    json_object_set_new(o, "breaker", breaker_json(s, &c));
    json_object_set_new(o, "asked", asked_json(s, p, &c, l));
    json_object_set_new(o, "found", found_json(s, p, &c, l));
    json_object_set_new(o, "cautions", list_json(call_texts_cautions(l), CALL_MOST_CAUTIONS));
    add_loads(o, s, &c, l);
    json_object_set_new(o, "steps", steps_json(steps, l));
    json_object_set_new(o, "trip", trip ? json_incref((json_t *)trip) : json_null());
    return o;
}
