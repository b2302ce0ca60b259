#include "kept.h"

#include "base/clock.h"
#include "store/reader.h"
#include "store/wishes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static bool take_wish(void *context, const char *key, const char *value, int64_t wall_ms)
{
    (void)wall_ms;
    if (strncmp(key, WISH_NAME, strlen(WISH_NAME)) == 0)
        loads_name_published(context, key + strlen(WISH_NAME), value);
    return true;
}

struct engine *kept_engine(const struct record *r, const char *verb)
{
    const struct config *c = &r->config;
    struct engine *e = engine_create(&c->site, &c->rules, &c->signatures, ignore, NULL);
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    bool good =
        e &&
        record_ok(r, verb, store_read_state(r->reader, "learned", &bytes, &length, &wall_ms));
    if (good && !(bytes && engine_load(e, bytes, length))) {
        fprintf(
            stderr,
            "foretrip %s: %s holds nothing learned yet; the gateway writes it every quarter "
            "of an hour\n",
            verb, r->path);
        good = false;
    }
    good = good && record_ok(r, verb, store_read_wishes(r->reader, take_wish, engine_loads(e)));
    free(bytes);
    if (good)
        return e;
    engine_destroy(e);
    return NULL;
}

struct engine *kept_learned(const struct record *r, const char *verb)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    enum store_err err = store_read_state(r->reader, "learned", &bytes, &length, &wall_ms);
    bool any = err == STORE_OK && bytes;
    free(bytes);
    return any ? kept_engine(r, verb) : NULL;
}

int kept_usual_hour(const struct loads_known *k)
{
    int best = 0;
    double most = 0;
    for (int h = 0; h < 24; h++) {
        double sum = k->hours[h] + k->hours[(h + 1) % 24] + k->hours[(h + 2) % 24];
        if (sum > most)
            most = sum, best = h;
    }
    return best;
}

json_t *kept_json(const struct site *s, size_t circuit, const struct loads_known *k)
{
    char last[CLOCK_RFC3339_SIZE], load[SITE_ID_SIZE + 16];
    clock_format_rfc3339(k->last_wall_ms, last);
    snprintf(load, sizeof load, "%s/%u", s->circuits[circuit].id, (unsigned)k->id);
    json_t *o = json_pack(
        "{s:s, s:s, s:s, s:s, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:i, s:b, s:s}", "circuit",
        s->circuits[circuit].id, "load", load, "appliance", k->appliance, "name", k->name,
        "probability", k->probability, "amps", k->amps, "watts", k->watts, "seconds",
        k->seconds, "runs", k->runs, "per_day", k->per_day, "share", k->share, "usual_hour",
        kept_usual_hour(k), "running", k->running, "last_seen", last);
    if (o && k->moved_from >= 0)
        json_object_set_new(o, "moved_from", json_string(s->circuits[k->moved_from].id));
    return o;
}

enum exit_code kept_print_json(json_t *value)
{
    bool good = value &&
                json_dumpf(value, stdout, JSON_INDENT(1) | JSON_REAL_PRECISION(10)) == 0 &&
                putchar('\n') != EOF;
    json_decref(value);
    return good && fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
}
