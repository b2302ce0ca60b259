#include "sim_site.h"

#include "base/clock.h"

#include <jansson.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void sim_site_init(struct sim_site *s, uint32_t number, int64_t base)
{
    static const char *const streets[] = {"Quarry Lane", "Mill Lane",   "Alder Street",
                                          "Harbor Road", "Chapel Hill", "Station Road",
                                          "Orchard Row", "Bakery Yard"};
    *s = (struct sim_site){.number = number, .base = base};
    uint32_t building = number / 10;
    snprintf(s->id, sizeof s->id, "unit-%05u", number);
    snprintf(s->name, sizeof s->name, "%u %s, unit %u", 1 + building / 8, streets[building % 8],
             1 + number % 10);
}

void sim_site_finish(struct sim_site *s)
{
    free(s->entries);
    s->entries = NULL;
}

bool sim_site_add(struct sim_site *s, enum sim_what what, uint32_t story, int64_t since_ms,
                  int64_t wall_ms)
{
    if (s->count == s->room) {
        size_t room = s->room ? 2 * s->room : 16;
        struct sim_entry *more = realloc(s->entries, room * sizeof *more);
        if (!more)
            return false;
        s->entries = more;
        s->room = room;
    }
    s->entries[s->count++] = (struct sim_entry){
        .wall_ms = wall_ms, .since_ms = since_ms, .story = story, .what = what};
    return true;
}

/* the story's records up to, not including, `end`, some minutes apart */
static bool add_story(struct sim_site *s, uint32_t story, enum sim_what end, int64_t wall_ms)
{
    for (int what = SIM_WARNED; what < (int)end; what++)
        if (!sim_site_add(s, (enum sim_what)what, story, wall_ms,
                          wall_ms + what * INT64_C(60000)))
            return false;
    return true;
}

/* one in five units has something standing */
static bool add_standing(struct sim_site *s, uint32_t story, int64_t wall_ms)
{
    uint32_t of_100 = sim_hash(s->number, 77) % 100;
    if (of_100 < 2)
        return sim_site_add(s, SIM_HAZARD, story, wall_ms, wall_ms);
    if (of_100 < 7)
        return add_story(s, story, SIM_ACKNOWLEDGED, wall_ms);
    if (of_100 < 10)
        return sim_site_add(s, SIM_WORN, story, wall_ms, wall_ms);
    if (of_100 < 12)
        return sim_site_add(s, SIM_SILENT, story, wall_ms, wall_ms);
    return of_100 >= 20 || sim_site_add(s, SIM_WARNED, story, wall_ms, wall_ms);
}

bool sim_site_add_history(struct sim_site *s, int64_t from_ms, int64_t to_ms)
{
    uint32_t stories = 4 + sim_hash(s->number, 3) % 12;
    for (uint32_t i = 0; i < stories; i++) {
        int64_t step = (to_ms - from_ms) / (stories + 1);
        int64_t at = from_ms + (int64_t)i * step + sim_hash(s->number, i) % (step / 2 + 1);
        if (!add_story(s, i, (enum sim_what)SIM_STORY, at))
            return false;
    }
    return add_standing(s, stories,
                        to_ms - INT64_C(3600000) - sim_hash(s->number, 9) % 36000000);
}

bool sim_site_has_news(const struct sim_site *s)
{
    return s->acknowledged < s->count;
}

/* entries from..to (to not included) as a batch; the number of entry i is base + 1 + i */
static void compose(const struct sim_site *s, size_t from, size_t to, const char *more,
                    struct text *out)
{
    text_printf(out,
                "{\"site\":\"%s\",\"after\":%lld,\"from\":%lld,\"to\":%lld,%s\"records\":[",
                s->id, from == 0 ? 0LL : (long long)s->base + (long long)from,
                (long long)s->base + (long long)(to > from ? from + 1 : to),
                (long long)s->base + (long long)to, more);
    for (size_t i = from; i < to; i++) {
        if (i > from)
            text_append(out, ",");
        sim_record_write(out, s->id, s->base + 1 + (int64_t)i, &s->entries[i]);
    }
    text_append(out, "]}");
}

static size_t batch_end(size_t from, size_t to)
{
    return to - from > SIM_BATCH_RECORDS ? from + SIM_BATCH_RECORDS : to;
}

void sim_site_compose(struct sim_site *s, bool health, struct text *out)
{
    struct text more = TEXT_INIT;
    if (health) {
        text_append(&more, "\"health\":{");
        sim_site_status(s, &more);
        text_append(&more, "},");
    }
    s->sending = batch_end(s->acknowledged, s->count);
    compose(s, s->acknowledged, s->sending, text_get(&more), out);
    text_free(&more);
}

static size_t index_of(const struct sim_site *s, int64_t number)
{
    if (number <= s->base)
        return 0;
    return number - s->base > (int64_t)s->count ? s->count : (size_t)(number - s->base);
}

void sim_site_ask_again(struct sim_site *s, int64_t after, int64_t to)
{
    size_t from = index_of(s, after), end = index_of(s, to);
    bool busy = sim_site_has_again(s);
    s->again_from = busy && s->again_from < from ? s->again_from : from;
    s->again_to = busy && s->again_to > end ? s->again_to : end;
}

bool sim_site_has_again(const struct sim_site *s)
{
    return s->again_from < s->again_to;
}

void sim_site_compose_again(struct sim_site *s, struct text *out)
{
    s->again_sending = batch_end(s->again_from, s->again_to);
    compose(s, s->again_from, s->again_sending, "\"again\":true,", out);
}

void sim_site_status(const struct sim_site *s, struct text *out)
{
    text_printf(out,
                "\"site\":\"%s\",\"name\":\"%s\",\"version\":\"" FORETRIP_VERSION
                "\",\"circuits\":%d,\"record\":\"ok\",\"outbox\":0,\"lost_records\":0,"
                "\"lost_readings\":0",
                s->id, s->name, SIM_CIRCUITS);
}

void sim_site_circuits(const struct sim_site *s, int64_t wall_ms, struct text *out)
{
    char time[CLOCK_RFC3339_SIZE], circuit[24];
    clock_format_rfc3339(wall_ms, time);
    text_append(out, "\"circuits\":[");
    for (int i = 0; i < SIM_CIRCUITS; i++) {
        uint32_t chance = sim_hash(s->number * 31U + (uint32_t)i, (uint32_t)(wall_ms / 60000));
        sim_circuit(i, circuit);
        text_printf(out, "%s{\"circuit\":\"%s\",\"time\":\"%s\",\"amps\":%.2f,\"heat\":%.3f}",
                    i > 0 ? "," : "", circuit, time, (double)(chance % 1600) / 100.0,
                    (double)(chance % 700) / 1000.0);
    }
    text_append(out, "]");
}

/* a text that a topic can be */
static const char *reply_topic(const json_t *o)
{
    const char *to = json_string_value(json_object_get(o, "reply_to"));
    return to && to[0] && !strpbrk(to, "+#") ? to : NULL;
}

/* whose it is may stand behind */
static bool is_verb(const char *verb, const char *wanted)
{
    size_t n = strlen(wanted);
    return strncmp(verb, wanted, n) == 0 && (verb[n] == '\0' || verb[n] == '/');
}

static void answer(const struct sim_site *s, const char *verb, const json_t *o, int64_t wall_ms,
                   struct sim_answer *out)
{
    const json_t *id = json_object_get(o, "id");
    const char *role = json_string_value(json_object_get(o, "role"));
    const char *trip = json_string_value(json_object_get(o, "trip"));
    char *quoted = json_is_string(id) ? json_dumps(id, JSON_ENCODE_ANY) : NULL;
    struct text members = TEXT_INIT;
    bool known = true;
    if (is_verb(verb, "circuits"))
        sim_site_circuits(s, wall_ms, &members);
    else if (is_verb(verb, "sheet"))
        known = sim_site_sheet(s, trip ? trip : "", role && strcmp(role, "manager") == 0,
                               wall_ms, &members);
    else
        sim_site_status(s, &members);
    text_printf(&out->json, "{\"id\":%s,\"ok\":%s,%s}", quoted ? quoted : "\"\"",
                known ? "true" : "false",
                known ? text_get(&members) : "\"error\":\"there is no such trip\"");
    free(quoted);
    text_free(&members);
    if (!out->json.failed)
        out->reply_to = strdup(reply_topic(o));
}

bool sim_site_command(struct sim_site *s, const char *verb, const void *payload, size_t length,
                      int64_t wall_ms, struct sim_answer *out)
{
    json_t *o = json_loadb(payload, length, 0, NULL);
    bool again = o && is_verb(verb, "send-again");
    *out = (struct sim_answer){0};
    if (again)
        sim_site_ask_again(s, json_integer_value(json_object_get(o, "after")),
                           json_integer_value(json_object_get(o, "to")));
    else if (reply_topic(o))
        answer(s, verb, o, wall_ms, out);
    json_decref(o);
    return again;
}

void sim_answer_free(struct sim_answer *a)
{
    free(a->reply_to);
    text_free(&a->json);
    *a = (struct sim_answer){0};
}
