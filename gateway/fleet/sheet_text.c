#include "sheet_text.h"

#include <jansson.h>

#include <string.h>

/* a member that is a text, else "" */
static const char *word(const json_t *o, const char *member)
{
    const char *v = json_string_value(json_object_get(o, member));
    return v ? v : "";
}

/* "16:04" does not say which day: the whole, without its milliseconds */
static void put_time(struct text *out, const char *time)
{
    char shown[21];
    if (strlen(time) < 19) {
        text_append(out, "-");
        return;
    }
    memcpy(shown, time, 19);
    shown[10] = ' ';
    shown[19] = 'Z';
    shown[20] = '\0';
    text_append(out, shown);
}

static void put_number(struct text *out, const json_t *o, const char *member, double scale,
                       int places, const char *unit)
{
    const json_t *v = json_object_get(o, member);
    if (!json_is_number(v))
        return;
    text_printf(out, "  %.*f%s", places, json_number_value(v) * scale, unit);
}

static void put_alarm(struct text *out, const json_t *a)
{
    text_printf(out, "  %-7s %-10s %s\n", word(a, "priority"), word(a, "circuit"),
                word(a, "text"));
    if (word(a, "advice")[0])
        text_printf(out, "          %s\n", word(a, "advice"));
}

static void put_circuit(struct text *out, const json_t *c)
{
    if (!json_is_object(c))
        return; /* no reading yet */
    text_printf(out, "  %-10s %-28s %-9s", word(c, "circuit"), word(c, "name"),
                word(c, "state"));
    put_number(out, c, "rating_amps", 1, 0, " A breaker");
    put_number(out, c, "amps", 1, 1, " A");
    put_number(out, c, "heat", 100, 0, " % heat");
    text_append(out, "\n");
}

static void put_trip(struct text *out, const json_t *t)
{
    text_append(out, "  ");
    put_time(out, word(t, "opened_at"));
    text_printf(out, "  %-10s %-15s", word(t, "circuit"), word(t, "cause"));
    put_number(out, t, "probability", 100, 0, " %");
    put_number(out, t, "amps_before", 1, 1, " A before");
    if (word(t, "restored_at")[0]) {
        text_append(out, "  back ");
        put_time(out, word(t, "restored_at"));
    }
    text_printf(out, "  %s\n", word(t, "trip"));
}

static void put_loads(struct text *out, const json_t *trip)
{
    const json_t *loads = json_object_get(trip, "loads");
    size_t i;
    json_t *load;
    json_array_foreach(loads, i, load)
    {
        text_printf(out, "%s%s", i ? ", " : "  was on: ", word(load, "appliance"));
        put_number(out, load, "amps", 1, 1, " A");
    }
    if (json_array_size(loads) > 0)
        text_append(out, "\n");
}

static void put_event(struct text *out, const json_t *e)
{
    text_append(out, "    ");
    put_time(out, word(e, "time"));
    text_printf(out, "  %-12s %s%s%s\n", word(e, "type"), word(e, "stage"), word(e, "state"),
                word(e, "note"));
    if (word(e, "text")[0])
        text_printf(out, "          %s\n", word(e, "text"));
}

typedef void put_fn(struct text *out, const json_t *o);

static void put_list(struct text *out, const json_t *sheet, const char *member,
                     const char *title, const char *none, put_fn *put)
{
    const json_t *list = json_object_get(sheet, member);
    if (!json_is_array(list))
        return;
    text_printf(out, "\n%s%s\n", title, json_array_size(list) == 0 ? none : "");
    for (size_t i = 0; i < json_array_size(list); i++)
        put(out, json_array_get(list, i));
}

static void put_all(struct text *out, const json_t *o)
{
    const json_t *unit = json_object_get(o, "unit"), *trip = json_object_get(o, "trip");
    text_printf(out, "%s (%s), as its gateway says at ", word(unit, "name"),
                word(unit, "site"));
    put_time(out, word(o, "time"));
    text_append(out, json_is_true(json_object_get(o, "discreet"))
                         ? "; without what the people there have on\n"
                         : "\n");
    if (trip) {
        text_append(out, "\nThis trip\n");
        put_trip(out, trip);
        put_loads(out, trip);
        put_list(out, o, "events", "What was said of it", ": nothing", put_event);
    }
    put_list(out, o, "alarms", "Standing", ": nothing", put_alarm);
    put_list(out, o, "circuits", "Circuits", ": none", put_circuit);
    put_list(out, o, "trips", "Trips, the newest first", ": none", put_trip);
    text_append(out, "\nforetrip advises and is no protective device. A breaker that opens "
                     "again, heat, smell, buzzing or water: leave it off and call a licensed "
                     "electrician; local codes come first.\n");
}

bool sheet_text(const char *json, size_t length, struct text *out)
{
    json_t *o = json_loadb(json, length, JSON_REJECT_DUPLICATES, NULL);
    size_t before = out->length;
    bool good = json_is_object(json_object_get(o, "unit"));
    if (good)
        put_all(out, o);
    json_decref(o);
    for (size_t i = before; i < out->length; i++) /* nothing that would upset a terminal */
        if (((unsigned char)out->bytes[i] < 0x20 && out->bytes[i] != '\n') ||
            out->bytes[i] == 0x7f)
            out->bytes[i] = ' ';
    return good;
}
