#include "directory_json.h"

#include "model/event_json.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *string(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

bool directory_add_loads(const json_t *known, int circuit, struct directory_load **loads,
                         size_t *count)
{
    size_t i, told = 0;
    const json_t *k;
    json_array_foreach(known, i, k)
    {
        const char *name = string(k, "name"), *appliance = string(k, "appliance");
        double p = json_number_value(json_object_get(k, "probability"));
        bool is_appliance = strcmp(appliance, "unknown") != 0 &&
                            strcmp(appliance, "standing_load") != 0 && appliance[0];
        if (told >= DIRECTORY_LOADS ||
            (!name[0] && !(is_appliance && p >= DIRECTORY_LOAD_SURE)))
            continue;
        struct directory_load *more = realloc(*loads, (*count + 1) * sizeof *more);
        if (!more)
            return false;
        *loads = more;
        more = &more[(*count)++];
        *more = (struct directory_load){
            .circuit = circuit, .named = name[0] != '\0', .probability = name[0] ? 1.0 : p};
        snprintf(more->words, sizeof more->words, "%s", name[0] ? name : appliance);
        for (char *c = more->words; !name[0] && *c; c++) /* a key as people say it */
            if (*c == '_')
                *c = ' ';
        told++;
    }
    return true;
}

static json_t *place_json(const struct directory_place *p)
{
    json_t *o = json_pack("{s:s, s:s, s:s, s:b, s:s}", "place", p->name, "part", p->part,
                          "kind", p->kind, "traced", p->traced, "by", p->by);
    json_object_set_new(o, "probability", event_json_number(p->probability, 0.0001));
    json_object_set_new(o, "amps", event_json_number(p->amps, 0.01));
    json_object_set_new(o, "time", event_json_time(p->wall_ms));
    return o;
}

/* of a circuit; "" for those on none */
static json_t *places_json(const struct directory_record *r, const char *circuit)
{
    json_t *list = json_array();
    for (size_t i = 0; i < r->place_count; i++)
        if (strcmp(r->places[i].circuit, circuit) == 0) {
            json_t *o = place_json(&r->places[i]);
            if (!circuit[0])
                json_object_set_new(o, "panel",
                                    r->places[i].panel[0] ? json_string(r->places[i].panel)
                                                          : json_null());
            json_array_append_new(list, o);
        }
    return list;
}

static json_t *loads_json(const struct directory_load *loads, size_t count, int circuit)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        if (loads[i].circuit == circuit) {
            json_t *o =
                json_pack("{s:s, s:b}", "load", loads[i].words, "named", loads[i].named);
            json_object_set_new(o, "probability",
                                event_json_number(loads[i].probability, 0.0001));
            json_array_append_new(list, o);
        }
    return list;
}

static json_t *line_json(const struct directory *d, const struct directory_line *l,
                         const struct directory_load *loads, size_t load_count)
{
    json_t *o = json_pack("{s:s, s:i, s:s, s:s, s:b}", "position", l->position, "place",
                          l->place, "state", directory_state_name(l->state), "purpose",
                          l->purpose, "entered", l->entered);
    if (!o || l->circuit < 0) {
        json_object_set_new(o, "circuit", json_null());
        return o;
    }
    const struct site_circuit *k = &d->site->circuits[l->circuit];
    json_object_set_new(o, "circuit", json_string(k->id));
    json_object_set_new(o, "poles", json_integer(k->poles));
    json_object_set_new(o, "leg", json_string(k->leg));
    json_object_set_new(o, "rating_amps", event_json_number(k->breaker_amps, 0.1));
    json_object_set_new(o, "feeds",
                        k->feeds_panel >= 0 ? json_string(d->site->panels[k->feeds_panel].id)
                                            : json_null());
    json_object_set_new(o, "metered", json_boolean(k->meter >= 0));
    json_object_set_new(o, "places", places_json(d->record, k->id));
    json_object_set_new(o, "loads", loads_json(loads, load_count, l->circuit));
    return o;
}

static json_t *panel_json(const struct directory *d, int panel,
                          const struct directory_load *loads, size_t load_count)
{
    const struct site_panel *p = &d->site->panels[panel];
    json_t *lines = json_array();
    for (size_t i = 0; i < d->line_count; i++)
        if (d->lines[i].panel == panel)
            json_array_append_new(lines, line_json(d, &d->lines[i], loads, load_count));
    json_t *o = json_pack("{s:s, s:s, s:i, s:o}", "panel", p->id, "name", p->name, "legs",
                          p->legs, "lines", lines);
    json_object_set_new(o, "rating_amps", event_json_number(p->rating_amps, 0.1));
    json_object_set_new(o, "fed_by",
                        p->fed_by >= 0 ? json_string(d->site->circuits[p->fed_by].id)
                                       : json_null());
    return o;
}

static json_t *remark_json(const struct directory *d, const struct directory_remark *r)
{
    char text[512];
    json_t *circuits = json_array();
    for (int i = 0; i < 2; i++)
        if (r->circuits[i] >= 0)
            json_array_append_new(circuits, json_string(d->site->circuits[r->circuits[i]].id));
    json_t *o =
        json_pack("{s:s, s:b, s:o, s:s, s:s}", "kind", directory_remark_name(r->kind),
                  "conflict", directory_is_conflict(r->kind), "circuits", circuits, "subject",
                  r->subject, "text", directory_say_remark(d, r, text, sizeof text));
    json_object_set_new(
        o, "panel", r->panel >= 0 ? json_string(d->site->panels[r->panel].id) : json_null());
    return o;
}

json_t *directory_json(const struct directory *d, const struct directory_load *loads,
                       size_t load_count, int panel, bool discreet)
{
    json_t *panels = json_array(), *remarks = json_array();
    for (size_t p = 0; p < d->site->panel_count; p++)
        if (panel < 0 || panel == (int)p)
            json_array_append_new(panels,
                                  panel_json(d, (int)p, loads, discreet ? 0 : load_count));
    for (size_t i = 0; i < d->remark_count; i++) {
        const struct directory_remark *r = &d->remarks[i];
        bool told = panel < 0 || r->panel == panel || r->panel < 0;
        if (told && !(discreet && r->kind == REMARK_LOAD_AGAINST))
            json_array_append_new(remarks, remark_json(d, r));
    }
    return json_pack("{s:o, s:o, s:o}", "panels", panels, "remarks", remarks, "unmetered",
                     places_json(d->record, ""));
}
