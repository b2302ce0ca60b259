#include "study_json.h"

#include "model/event_json.h"

#include <math.h>

const char study_caution[] =
    "For a licensed electrician's judgement: the arithmetic of the sections named, with what "
    "is "
    "known here. It is no permission. The code text in force, local amendments and the "
    "authority "
    "having jurisdiction come first; work on panels and circuits is a licensed electrician's. "
    "foretrip advises, switches nothing and is no protective device.";

static json_t *id_of(const struct site *s, int circuit, int panel)
{
    if (circuit >= 0)
        return json_string(s->circuits[circuit].id);
    return panel >= 0 ? json_string(s->panels[panel].id) : json_null();
}

static json_t *value_json(const struct study_step *x)
{
    if (isnan(x->value))
        return json_null();
    return x->unit == UNIT_CONDITION ? json_boolean(x->value != 0.0)
                                     : event_json_number(x->value, 0.01);
}

static json_t *sheet_json(const struct site *s, const struct study_sheet *t)
{
    json_t *steps = json_array();
    for (size_t i = 0; i < t->step_count; i++) {
        const struct study_step *x = &t->steps[i];
        json_array_append_new(
            steps,
            json_pack("{s:s, s:s, s:s, s:s, s:s, s:o, s:s}", "item", study_item_name(x->item),
                      "text", study_item_text(x->item), "name", x->name, "section", x->section,
                      "sum", x->sum, "value", value_json(x), "unit", study_unit_name(x->unit)));
    }
    return json_pack("{s:s, s:s, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o}", "kind",
                     study_kind_name(t->kind), "section", t->section, "panel",
                     id_of(s, -1, t->panel), "circuit", id_of(s, t->circuit, -1), "verdict",
                     study_verdict_name(t->verdict), "va", event_json_number(t->total_va, 0.01),
                     "amps", event_json_number(t->total_amps, 0.01), "rating_amps",
                     event_json_number(t->rating_amps, 0.01), "room_amps",
                     event_json_number(t->room_amps, 0.01), "steps", steps);
}

json_t *study_json(const struct load_study *l, const struct site *s,
                   const struct study_question *q, const struct study_sheet *sheets,
                   size_t count, int64_t from_wall_ms, int64_t to_wall_ms)
{
    const struct code_edition *e = &l->editions[l->edition];
    bool nec = s->standard != SITE_IEC60898;
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, sheet_json(s, &sheets[i]));
    const struct study_addition *a = &q->addition;
    json_t *asked = json_pack("{s:o, s:o, s:o, s:b, s:b, s:b}", "circuit",
                              id_of(s, q->circuit, -1), "panel", id_of(s, -1, q->panel), "amps",
                              event_json_number(a->amps, 0.01), "continuous", a->continuous,
                              "fastened", a->fastened, "dedicated", a->dedicated);
    json_t *record = json_pack("{s:o, s:o}", "from", event_json_time(from_wall_ms), "to",
                               event_json_time(to_wall_ms));
    return json_pack("{s:s, s:s, s:o, s:s, s:s, s:s, s:o, s:o, s:o}", "site", s->id, "standard",
                     nec ? "UL489" : "IEC60898", "edition",
                     nec ? json_string(e->id) : json_null(), "note", nec ? e->note : "",
                     "caution", study_caution, "verdict",
                     study_verdict_name(study_verdict_of(sheets, count)), "asked", asked,
                     "record", record, "sheets", list);
}
