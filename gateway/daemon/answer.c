#include "answer.h"

#include "directory_change.h"

#include "analysis/engine_json.h"
#include "base/clock.h"
#include "model/event_json.h"
#include "notify/rights.h"
#include "store/chart.h"
#include "web/sheet.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void reply_object(struct mqtt *m, const struct command *c, json_t *members)
{
    char *text = members ? event_json_dump(members) : NULL;
    mqtt_reply(m, &c->reply, text ? NULL : "memory is short, try again", text);
    free(text);
    json_decref(members);
}

static json_t *circuits(const struct site *s, const struct engine *e, int64_t wall_ms)
{
    json_t *o = json_object(), *list = json_array();
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct engine_circuit c;
        engine_circuit(e, (int)i, &c);
        json_array_append_new(list, engine_circuit_json(s, (int)i, wall_ms, &c));
    }
    json_object_set_new(o, "circuits", list);
    return o;
}

json_t *answer_status(struct mqtt *m, const struct site *s, const struct store *store,
                      int64_t wall_ms)
{
    struct store_status record;
    struct mqtt_status line;
    store_get_status(store, &record);
    mqtt_get_status(m, &line);
    json_t *o = json_object();
    json_object_set_new(o, "time", event_json_time(wall_ms));
    json_object_set_new(o, "site", json_string(s->id));
    json_object_set_new(o, "name", json_string(s->name));
    json_object_set_new(o, "version", json_string(FORETRIP_VERSION));
    json_object_set_new(o, "circuits", json_integer((json_int_t)s->circuit_count));
    json_object_set_new(o, "record", json_string(record.err == STORE_OK ? "ok" : record.why));
    json_object_set_new(o, "outbox", json_integer(record.outbox_rows));
    json_object_set_new(o, "lost_records", json_integer((json_int_t)record.lost_records));
    json_object_set_new(o, "lost_readings", json_integer((json_int_t)record.lost_readings));
    json_object_set_new(o, "acknowledged", json_integer((json_int_t)line.acknowledged));
    json_object_set_new(o, "run", json_string(line.run));
    json_object_set_new(o, "taken_over", json_integer((json_int_t)line.taken_over));
    return o;
}

static void history(struct mqtt *m, const struct site *s, struct store_reader *r,
                    int64_t wall_ms, const struct command *c)
{
    const struct command_span *w = &c->span;
    struct chart chart = {.circuit = site_find_circuit(s, w->circuit),
                          .quantity = w->quantity,
                          .pole = w->pole - 1,
                          .to_wall_ms = w->to_wall_ms ? w->to_wall_ms : wall_ms,
                          .points = w->points};
    struct text members = TEXT_INIT;
    const char *why = "site.cfg has no circuit of that id";
    chart.from_wall_ms = w->from_wall_ms ? w->from_wall_ms : chart.to_wall_ms - 3600000;
    if (chart.circuit >= 0)
        why = w->pole > s->circuits[chart.circuit].poles ? "the circuit has not so many poles"
                                                         : chart_settle(&chart);
    if (!why) {
        enum store_err err = chart_write(&chart, s, r, &members);
        why = err ? store_strerror(err) : members.failed ? "memory is short, try again" : NULL;
    }
    mqtt_reply(m, &c->reply, why, why ? NULL : text_get(&members));
    text_free(&members);
}

/* The role that is told: of the person, and of whom the asker asks for. */
static bool is_discreet(const struct delivery *d, const struct command *c)
{
    int person = delivery_find_person(d, c->person);
    return !role_may(c->least, ACT_SEE_LOADS) ||
           (person >= 0 &&
            !role_may((enum delivery_role)d->people[person].role, ACT_SEE_LOADS));
}

static void sheet(struct mqtt *m, const struct config *config, const struct engine *e,
                  struct store_reader *r, int64_t wall_ms, const struct command *c)
{
    char why[SHEET_WHY_SIZE];
    struct text states = TEXT_INIT, members = TEXT_INIT;
    const struct site *s = &config->site;
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct engine_circuit k;
        engine_circuit(e, (int)i, &k);
        json_t *o = engine_circuit_json(s, (int)i, wall_ms, &k);
        char *state = o ? event_json_dump(o) : NULL;
        text_printf(&states, "%s%s", i ? "," : "", state ? state : "null");
        free(state);
        json_decref(o);
    }
    bool good = sheet_write(&(struct sheet){.site = s,
                                            .reader = r,
                                            .states = text_get(&states),
                                            .trip = c->trip,
                                            .discreet = is_discreet(&config->delivery, c),
                                            .wall_ms = wall_ms},
                            &members, why);
    mqtt_reply(m, &c->reply, good ? NULL : why, good ? text_get(&members) : NULL);
    text_free(&states);
    text_free(&members);
}

/* What was learned, among what the next commit writes; NULL: done. */
static const char *keep_learned(const struct engine *e, struct store *store, int64_t wall_ms)
{
    struct codec_out out = {0};
    engine_save(e, ENGINE_LEARNED, &out);
    bool failed = out.failed;
    if (!failed)
        store_add_state(store, "learned", out.bytes, out.length, wall_ms);
    codec_out_free(&out);
    return failed ? "memory is short, try again" : NULL;
}

static const char *name_load(struct engine *e, struct store *store, int64_t wall_ms,
                             const struct command *c)
{
    if (!loads_name_published(engine_loads(e), c->load, c->name))
        return "there is no load of that number, or the name is not plain text";
    return keep_learned(e, store, wall_ms);
}

static const char *replaced(struct engine *e, struct store *store, int64_t wall_ms,
                            const struct command *c, const char *by)
{
    return engine_breaker_replaced(e, c->circuit, c->note, wall_ms, by)
               ? keep_learned(e, store, wall_ms)
               : "site.cfg has no circuit of that id";
}

static bool see_trip(void *context, const struct store_trip_row *row)
{
    (void)row;
    *(bool *)context = true;
    return false;
}

static const char *note_trip(struct engine *e, struct store_reader *r, int64_t wall_ms,
                             const struct command *c, const char *by)
{
    bool there = false;
    store_read_trip(r, c->trip, see_trip, &there);
    return there && engine_note_trip(e, c->trip, c->note, wall_ms, by)
               ? NULL
               : "there is no trip of that id in the record";
}

static const char *service_call(struct engine *e, int64_t wall_ms, const struct command *c,
                                const char *by, char made[EVENT_ID_SIZE])
{
    const struct call_say say = {.call = c->call.call,
                                 .question = c->call.question,
                                 .answer = c->call.answer,
                                 .danger = c->call.danger,
                                 .as = c->call.as,
                                 .by = by,
                                 .device = c->call.device,
                                 .note = c->note};
    enum call_err err = engine_call(e, &say, wall_ms, made);
    return err == CALL_OK ? NULL : call_strerror(err);
}

/* carries it out; NULL: done. made: what it made, where it makes something */
static const char *carry_out(struct engine *e, struct store *store, struct store_reader *r,
                             int64_t wall_ms, const struct command *c, const char *by,
                             char made[EVENT_ID_SIZE])
{
    struct alarms *a = engine_alarms(e);
    enum alarms_err err = ALARMS_OK;
    switch (c->verb) {
    case COMMAND_CIRCUITS:
    case COMMAND_HISTORY:
    case COMMAND_SEND_AGAIN:
    case COMMAND_SHEET:
    case COMMAND_STATUS: return NULL;
    case COMMAND_NAME: return name_load(e, store, wall_ms, c);
    case COMMAND_NOTE: return note_trip(e, r, wall_ms, c, by);
    case COMMAND_ACKNOWLEDGE: err = alarms_acknowledge(a, c->alarm, wall_ms, by); break;
    case COMMAND_SHELVE:
        err = alarms_shelve(a, c->alarm, wall_ms, c->seconds, by, c->note);
        break;
    case COMMAND_UNSHELVE: err = alarms_unshelve(a, c->alarm, wall_ms, by); break;
    case COMMAND_OUT_OF_SERVICE:
    case COMMAND_IN_SERVICE:
        err = alarms_out_of_service(a, c->alarm, wall_ms, c->verb == COMMAND_OUT_OF_SERVICE, by,
                                    c->note);
        break;
    case COMMAND_CALL_BEGIN:
    case COMMAND_CALL_ANSWER: return service_call(e, wall_ms, c, by, made);
    case COMMAND_REPLACED: return replaced(e, store, wall_ms, c, by);
    case COMMAND_CORRECT:
        return engine_correct_trip(e, c->trip, c->cause, wall_ms, by)
                   ? NULL
                   : "no trip of that id is over and uncorrected";
    }
    return err == ALARMS_OK ? NULL : alarms_strerror(err);
}

static const char *subject_of(const struct command *c)
{
    return c->alarm[0]       ? c->alarm
           : c->trip[0]      ? c->trip
           : c->call.call[0] ? c->call.call
           : c->circuit[0]   ? c->circuit
                             : c->load;
}

/* what changes something; NULL: done, and on disk, with who did it, before it is announced */
static const char *change(struct engine *e, struct store *store, struct store_reader *r,
                          struct store_audit said, const struct command *c, const char *by,
                          char made[EVENT_ID_SIZE])
{
    made[0] = '\0';
    const char *error = carry_out(e, store, r, said.wall_ms, c, by, made);
    said.act = command_verb_name(c->verb);
    said.subject = subject_of(c);
    said.result = error;
    store_add_audit(store, &said);
    if (store_commit(store, clock_mono_ms(), said.wall_ms) != STORE_OK && !error)
        error = "it is done, but could not be written to the record yet";
    return error;
}

void answer_command(struct mqtt *m, const struct config *config, struct engine *e,
                    struct store *store, struct store_reader *r, int64_t wall_ms,
                    const struct command *c)
{
    const struct site *s = &config->site;
    const char *by;
    char why[RIGHTS_WHY_SIZE];
    int person = delivery_find_person(&config->delivery, c->person);
    struct store_audit said = {.wall_ms = wall_ms, .way = "mqtt"};
    if (!rights_allow(&config->delivery, c, &by, why)) {
        mqtt_reply(m, &c->reply, why, NULL);
    } else if (c->verb == COMMAND_CIRCUITS) {
        reply_object(m, c, circuits(s, e, wall_ms));
    } else if (c->verb == COMMAND_STATUS) {
        reply_object(m, c, answer_status(m, s, store, wall_ms));
    } else if (c->verb == COMMAND_SHEET) {
        sheet(m, config, e, r, wall_ms, c);
    } else if (c->verb == COMMAND_SEND_AGAIN) {
        mqtt_send_again(m, c->after, c->to);
        mqtt_reply(m, &c->reply, config->delivery.broker.up ? NULL : "broker.up is off here",
                   NULL);
    } else if (c->verb == COMMAND_HISTORY) {
        history(m, s, r, wall_ms, c);
    } else {
        said.who = by;
        if (person >= 0)
            said.role =
                delivery_role_name((enum delivery_role)config->delivery.people[person].role);
        char made[EVENT_ID_SIZE];
        const char *error = change(e, store, r, said, c, by, made);
        if (made[0] && !error)
            reply_object(m, c, json_pack("{s:s}", "call", made));
        else
            mqtt_reply(m, &c->reply, error, NULL);
    }
}

/* NULL when it was done, and is on disk with who did it */
static const char *ask_directory(const struct site *s, struct store *store,
                                 struct store_reader *r, struct store_audit said,
                                 const struct web_ask *ask, char why[DIRECTORY_CHANGE_WHY_SIZE])
{
    json_t *wish = json_loadb(ask->body, ask->length, JSON_REJECT_DUPLICATES, NULL);
    const char *by = json_string_value(json_object_get(wish, "by"));
    const char *error =
        wish ? directory_change(store, r, s, wish, said.wall_ms, by && by[0] ? by : "page", why)
             : "the body must be a JSON object";
    if (!said.who || !said.who[0])
        said.who = by;
    said.act = WEB_DIRECTORY;
    said.subject = json_string_value(json_object_get(wish, "act"));
    said.result = error;
    store_add_audit(store, &said);
    if (store_commit(store, clock_mono_ms(), said.wall_ms) != STORE_OK && !error)
        error = "it is done, but could not be written to the record yet";
    json_decref(wish);
    return error;
}

void answer_ask(struct web *w, const struct config *config, struct engine *e,
                struct store *store, struct store_reader *r, int64_t wall_ms,
                struct web_ask *ask)
{
    struct command c;
    char made[EVENT_ID_SIZE], why[COMMAND_WHY_SIZE], who[COMMAND_BY_SIZE + SITE_ID_SIZE + 4],
        way[64];
    const struct access_who *a = ask->who;
    if (strcmp(ask->verb, WEB_KEEP) == 0) {
        web_keep(w, wall_ms);
        store_commit(store, clock_mono_ms(), wall_ms); /* the store says when it cannot */
        web_reply(w, ask, NULL);
        return;
    }
    if (strcmp(ask->verb, WEB_DIRECTORY) == 0) { /* its route said who may */
        char fault[DIRECTORY_CHANGE_WHY_SIZE];
        snprintf(way, sizeof way, "page %s", ask->address);
        who[0] = '\0';
        if (a->id[0])
            snprintf(who, sizeof who, "%.*s (%s)", COMMAND_BY_SIZE - 1, a->name, a->id);
        const struct store_audit said = {.wall_ms = wall_ms,
                                         .who = who,
                                         .role = a->id[0] ? delivery_role_name(a->role) : NULL,
                                         .way = way};
        web_reply(w, ask, ask_directory(&config->site, store, r, said, ask, fault));
        return;
    }
    if (!command_parse("foretrip/", ask->verb, ask->body, ask->length, NULL, NULL, 0, &c,
                       why)) {
        web_reply(w, ask, why);
        return;
    }
    if (c.person[0]) { /* a topic of MQTT alone says who somebody is */
        web_reply(w, ask, "there is no such command");
        return;
    }
    if (a->id[0] && !rights_allow_role(a->role, a->name, &c, why)) {
        web_refuse(w, ask, why);
        return;
    }
    snprintf(way, sizeof way, "page %s", ask->address);
    snprintf(who, sizeof who, a->id[0] ? "%s (%s)" : "%s%s", c.by, a->id);
    const struct store_audit said = {.wall_ms = wall_ms,
                                     .who = who,
                                     .role = a->id[0] ? delivery_role_name(a->role) : NULL,
                                     .way = way};
    web_reply(w, ask, change(e, store, r, said, &c, c.by, made));
}

void answer_wish(struct engine *e, struct store *store, struct store_reader *r, int64_t wall_ms,
                 const char *verb, const char *body)
{
    struct command c;
    char made[EVENT_ID_SIZE], why[COMMAND_WHY_SIZE];
    struct store_audit said = {.wall_ms = wall_ms, .way = "gateway", .act = verb};
    if (command_parse("foretrip/", verb, body, strlen(body), NULL, NULL, 0, &c, why)) {
        said.who = c.by;
        change(e, store, r, said, &c, c.by, made); /* why not is in the audit */
        return;
    }
    said.result = why;
    store_add_audit(store, &said);
}
