#include "homie_names.h"

#include <jansson.h>

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const struct homie_property_spec homie_circuit_properties[HOMIE_CIRCUIT_PROPERTIES] = {
    [HOMIE_AMPS] = {"amps", "Current", "float", "0:", "A"},
    [HOMIE_WATTS] = {"watts", "Power", "float", NULL, "W"},
    [HOMIE_VOLTS] = {"volts", "Voltage", "float", "0:", "V"},
    [HOMIE_POWER_FACTOR] = {"power-factor", "Power factor", "float", "-1:1", NULL},
    [HOMIE_LOAD] = {"load", "Load, of the breaker's rating", "float", "0:", "%"},
    [HOMIE_HEAT] = {"heat", "Heat of the breaker, 1 opens", "float", "0:", NULL},
    [HOMIE_HEADROOM] = {"headroom", "Room left", "float", NULL, "A"},
    [HOMIE_TRIP_CHANCE] = {"trip-chance", "Chance of opening within 15 min", "float", "0:100",
                           "%"},
    [HOMIE_STATE] = {"state", "Breaker", "enum", "closed,open,unknown", NULL},
    [HOMIE_ALARM] = {"alarm", "Worst alarm", "string", NULL, NULL},
    [HOMIE_MEASURED] = {"measured", "The meter answers", "boolean", NULL, NULL},
};

const struct homie_property_spec homie_house_properties[HOMIE_HOUSE_PROPERTIES] = {
    [HOMIE_ALARMS] = {"alarms", "Alarms that stand", "integer", "0:", "#"},
    [HOMIE_UNACKNOWLEDGED] = {"unacknowledged", "Alarms that nobody has acknowledged",
                              "integer", "0:", "#"},
};

void homie_id(const char *s, char *out, size_t size)
{
    size_t n = 0;
    for (; s[n] && n + 1 < size; n++) {
        char c = (char)tolower((unsigned char)s[n]);
        out[n] = (char)((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') ? c : '-');
    }
    out[n] = '\0';
}

static bool taken(const struct homie_names *n, size_t before, const char *id)
{
    for (size_t i = 0; i < before; i++)
        if (strcmp(n->circuits[i], id) == 0)
            return true;
    return false;
}

/* an id that none of the first `before` circuits has: with "-2", "-3" where needed */
static void choose(const struct homie_names *n, size_t before, const char *wanted,
                   char out[HOMIE_ID_SIZE])
{
    char plain[SITE_ID_SIZE];
    homie_id(wanted, plain, sizeof plain);
    text_copy(out, HOMIE_ID_SIZE, plain);
    for (unsigned k = 2; k < 10000 && taken(n, before, out); k++)
        snprintf(out, HOMIE_ID_SIZE, "%s-%u", plain, k);
}

bool homie_names_make(struct homie_names *n, const struct site *s)
{
    *n = (struct homie_names){.circuit_count = s->circuit_count};
    n->circuits = calloc(s->circuit_count + 1, sizeof *n->circuits);
    if (!n->circuits)
        return false;
    homie_id(s->id, n->device, sizeof n->device);
    for (size_t i = 0; i < s->circuit_count; i++)
        choose(n, i, s->circuits[i].id, n->circuits[i]);
    choose(n, s->circuit_count, "house", n->house);
    return true;
}

void homie_names_free(struct homie_names *n)
{
    free(n->circuits);
    *n = (struct homie_names){0};
}

static json_t *describe_node(const char *name, const char *type,
                             const struct homie_property_spec *specs, size_t count)
{
    json_t *properties = json_object();
    for (size_t i = 0; i < count; i++) {
        json_t *p =
            json_pack("{s:s, s:s}", "name", specs[i].name, "datatype", specs[i].datatype);
        if (specs[i].format)
            json_object_set_new(p, "format", json_string(specs[i].format));
        if (specs[i].unit)
            json_object_set_new(p, "unit", json_string(specs[i].unit));
        json_object_set_new(properties, specs[i].id, p);
    }
    return json_pack("{s:s, s:s, s:o}", "name", name, "type", type, "properties", properties);
}

char *homie_description(const struct homie_names *n, const struct site *s, int64_t version)
{
    json_t *nodes = json_object();
    json_object_set_new(
        nodes, n->house,
        describe_node(s->name, "house", homie_house_properties, HOMIE_HOUSE_PROPERTIES));
    for (size_t i = 0; i < s->circuit_count; i++) {
        char name[SITE_NAME_SIZE + 32];
        const struct site_circuit *c = &s->circuits[i];
        snprintf(name, sizeof name, "%s%s%s", c->position, c->name[0] ? " " : "", c->name);
        json_object_set_new(
            nodes, n->circuits[i],
            describe_node(name, "circuit", homie_circuit_properties, HOMIE_CIRCUIT_PROPERTIES));
    }
    json_t *o =
        json_pack("{s:s, s:I, s:s, s:s, s:o}", "homie", "5.0", "version", (json_int_t)version,
                  "name", s->name, "type", "foretrip", "nodes", nodes);
    char *text = o ? json_dumps(o, JSON_COMPACT) : NULL;
    json_decref(o);
    return text;
}
