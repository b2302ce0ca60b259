#include "call_ask.h"

#include "analysis/call_sheet.h"
#include "base/clock.h"
#include "base/text.h"
#include "store/call_parts.h"
#include "store/wishes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define ANSWER_MS 15000 /* the gateway looks every two seconds */
#define LOOK_MS 100

struct wait_for {
    const char *key;
    const char *subject;
    int64_t since_wall_ms;
    bool there; /* the wish waits still */
    bool found; /* what came of it stands in the audit log */
    char result[256];
};

static bool see_wish(void *context, const char *key, const char *value, int64_t wall_ms)
{
    struct wait_for *w = context;
    (void)value;
    (void)wall_ms;
    w->there |= strcmp(key, w->key) == 0;
    return true;
}

static bool see_audit(void *context, const struct store_audit_row *row)
{
    struct wait_for *w = context;
    if (row->said.wall_ms < w->since_wall_ms)
        return false;
    if (strcmp(row->said.way, "gateway") != 0 ||
        (row->said.subject[0] && strcmp(row->said.subject, w->subject) != 0))
        return true;
    w->found = true;
    text_copy(w->result, sizeof w->result, row->said.result);
    return false;
}

static void rest(void)
{
    nanosleep(&(struct timespec){.tv_nsec = LOOK_MS * 1000000L}, NULL);
}

/* until the gateway has taken the wish and said in the audit log what came of it */
static bool wait_for_it(const struct record *r, struct wait_for *w)
{
    int64_t end = clock_mono_ms() + ANSWER_MS;
    do {
        rest();
        w->there = w->found = false;
        if (!record_ok(r, "call", store_read_wishes(r->reader, see_wish, w)) ||
            !record_ok(r, "call", store_read_audit(r->reader, 0, 50, see_audit, w)))
            return false;
        if (w->found && w->result[0])
            fprintf(stderr, "foretrip call: %s\n", w->result);
        if (w->found)
            return w->result[0] == '\0';
    } while (clock_mono_ms() < end);
    fputs("foretrip call: the gateway does not answer: does it run with this record?\n",
          stderr);
    if (w->there)
        wishes_drop(r->path, w->key, INT64_MAX); /* not to be done when nobody waits any more */
    return false;
}

bool call_ask(const struct call_asker *a, const char *verb, json_t *members)
{
    char key[96];
    struct wait_for w = {.key = key, .since_wall_ms = clock_wall_ms()};
    const char *subject = json_string_value(
        json_object_get(members, strcmp(verb, "call-begin") == 0 ? "circuit" : "call"));
    char *about = strdup(subject ? subject : "");
    json_object_set_new(members, "by", json_string(a->by));
    json_object_set_new(members, "as", json_string(a->as));
    json_object_set_new(members, "device", json_string(a->device));
    snprintf(key, sizeof key, "%s%s.%ld-%lld", WISH_CALL, verb, (long)getpid(),
             (long long)w.since_wall_ms);
    char *body = json_dumps(members, JSON_COMPACT);
    json_decref(members);
    w.subject = about;
    bool ok =
        body && about &&
        record_ok(a->record, "call", wishes_add(a->record->path, key, body, w.since_wall_ms)) &&
        wait_for_it(a->record, &w);
    free(body);
    free(about);
    return ok;
}

json_t *call_ask_sheet(const struct record *r, const char *id, enum call_language l)
{
    struct call_parts parts;
    json_t *sheet = NULL;
    if (record_ok(r, "call", call_parts_read(r->reader, id, &parts))) {
        if (parts.call)
            sheet = call_sheet(&r->config.site, &r->config.phrases, l, parts.call, parts.steps,
                               parts.trip);
        if (!sheet)
            fprintf(stderr,
                    "foretrip call: site.cfg has no circuit \"%s\", and the record no call of "
                    "that name\n",
                    id);
    }
    call_parts_free(&parts);
    return sheet;
}

struct newest {
    const char *circuit;
    char *id;
    bool found;
};

static bool see_call(void *context, const struct store_call_row *row)
{
    struct newest *n = context;
    json_t *o = json_loads(row->json, 0, NULL);
    const char *dark = json_string_value(json_object_get(o, "dark"));
    const char *trip = json_string_value(json_object_get(o, "trip"));
    n->found = strcmp(row->circuit, n->circuit) == 0 ||
               (dark && strcmp(dark, n->circuit) == 0) ||
               (trip && strcmp(trip, n->circuit) == 0);
    if (n->found)
        text_copy(n->id, EVENT_ID_SIZE, row->id);
    json_decref(o);
    return !n->found;
}

bool call_ask_open(const struct record *r, const char *circuit, char id[EVENT_ID_SIZE])
{
    struct newest n = {circuit, id, false};
    return record_ok(r, "call", store_read_calls(r->reader, NULL, true, 100, see_call, &n)) &&
           n.found;
}
