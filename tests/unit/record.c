#include "record.h"

#include "model/phrases.h"

#include "check.h"

#include "base/log.h"
#include "base/text.h"
#include "model/event_json.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <unistd.h>

void record_init(struct record *r)
{
    *r = (struct record){.mono_ms = 1000, .wall_ms = RECORD_WALL_MS};
    strcpy(r->folder, "/tmp/foretrip-test-XXXXXX");
    assert_non_null(mkdtemp(r->folder));
    snprintf(r->path, sizeof r->path, "%s/record.db", r->folder);
    site_init(&r->site);
    strcpy(r->site.id, "mill-lane-3");
    strcpy(site_add_panel(&r->site)->id, "cellar");
    for (int i = 0; i < 2; i++) {
        struct site_circuit *c = site_add_circuit(&r->site);
        snprintf(c->id, sizeof c->id, "cellar-%02d", i + 1);
        c->panel = 0;
        c->poles = i + 1;
        strcpy(c->leg, i ? "AB" : "A");
    }
    site_finish(&r->site);
}

void record_close(struct record *r)
{
    store_reader_close(r->reader);
    store_close(r->store);
    r->reader = NULL;
    r->store = NULL;
}

void record_finish(struct record *r)
{
    char command[128];
    record_close(r);
    site_free(&r->site);
    log_to(NULL, NULL);
    snprintf(command, sizeof command, "rm -rf %s", r->folder);
    assert_int_equal(system(command), 0);
}

enum store_err record_open(struct record *r, struct store_options o)
{
    enum store_err err;
    record_close(r);
    o.path = r->path;
    r->store = store_open(&o, r->wall_ms, &err);
    r->reader = store_reader_open(r->path);
    assert_non_null(r->store);
    assert_non_null(r->reader);
    store_set_site(r->store, &r->site);
    return err;
}

enum store_err record_turn(struct record *r)
{
    enum store_err err = store_commit(r->store, r->mono_ms, r->wall_ms);
    r->mono_ms += 1000;
    r->wall_ms += 1000;
    return err;
}

void record_add(struct record *r, const struct event *e)
{
    char *json = event_to_json_text(&r->site, e);
    assert_non_null(json);
    store_add_event(r->store, &r->site, e, json);
    free(json);
}

void record_load(struct record *r, int circuit, int n)
{
    struct event e = {
        .type = EVENT_LOAD_ON, .wall_ms = r->wall_ms, .panel = 0, .circuit = circuit};
    e.load.run = n;
    e.load.amps = n;
    strcpy(e.load.appliance, "unknown");
    record_add(r, &e);
}

struct event record_trip(const struct record *r, const char *id, int circuit,
                         enum trip_stage stage)
{
    struct event e = {
        .type = EVENT_TRIP, .wall_ms = r->wall_ms, .panel = 0, .circuit = circuit};
    e.trip = (struct event_trip){.id = id,
                                 .stage = stage,
                                 .probability = 0.97,
                                 .opened_wall_ms = r->wall_ms,
                                 .cause = CAUSE_OVERLOAD,
                                 .upstream = TRIP_UPSTREAM_NONE};
    return e;
}

struct event record_outcome(const struct record *r, const char *trip, int circuit,
                            enum event_type type, double seconds)
{
    struct event e = {.type = type, .wall_ms = r->wall_ms, .panel = 0, .circuit = circuit};
    e.outcome = (struct event_outcome){.trip = trip, .seconds = seconds};
    return e;
}

struct event record_alarm(const struct record *r, const char *id, enum alarm_kind kind,
                          enum alarm_state state)
{
    struct event e = {.type = EVENT_ALARM, .wall_ms = r->wall_ms, .panel = 0, .circuit = 0};
    e.alarm = (struct event_alarm){.id = id,
                                   .kind = kind,
                                   .priority = PRIORITY_HIGH,
                                   .state = state,
                                   .raised_wall_ms = r->wall_ms,
                                   .text = "Breaker 1 is open.",
                                   .by = "",
                                   .note = "",
                                   .meter = -1};
    return e;
}

int record_set_up(void **state)
{
    struct record *r = malloc(sizeof *r);
    record_init(r);
    record_catch_log();
    *state = r;
    return 0;
}

int record_tear_down(void **state)
{
    record_finish(*state);
    record_catch_log();
    free(*state);
    return 0;
}

void record_message(struct record *r, const char *topic, const char *payload, bool low_value)
{
    store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                        .topic = topic,
                                                        .payload = payload,
                                                        .qos = 1,
                                                        .low_value = low_value});
}

bool record_see_event(void *context, const struct store_event_row *row)
{
    struct record_seen *s = context;
    s->ids[s->count] = row->seq;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s", row->type, row->json);
    return s->count < 64;
}

bool record_see_message(void *context, const struct store_row *row)
{
    struct record_seen *s = context;
    s->ids[s->count] = row->id;
    s->numbers[s->count] = row->expires_wall_ms;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s", row->topic,
             row->payload ? row->payload : "-");
    return s->count < 64;
}

static sqlite3 *connection(const struct record *r)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(r->path, &db), SQLITE_OK);
    sqlite3_busy_timeout(db, 2000);
    return db;
}

int64_t record_number(const struct record *r, const char *sql)
{
    sqlite3 *db = connection(r);
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(db, sql, -1, &st, NULL);
    if (rc != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    assert_int_equal(sqlite3_step(st), SQLITE_ROW);
    int64_t n = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return n;
}

void record_do(const struct record *r, const char *sql)
{
    sqlite3 *db = connection(r);
    char *why = NULL;
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK)
        fail_msg("%s: %s", sql, why);
    sqlite3_close(db);
}

static struct text caught;

static void catch_line(void *context, enum log_level level, const char *subsystem,
                       const char *line)
{
    (void)context;
    (void)level;
    text_printf(&caught, "%s: %s\n", subsystem, line);
}

void record_catch_log(void)
{
    text_free(&caught);
    log_to(catch_line, NULL);
}

int record_logged(const char *text)
{
    int n = 0;
    for (const char *at = text_get(&caught); (at = strstr(at, text)); at += strlen(text))
        n++;
    return n;
}

void record_detail(const struct event_alarm *a, char *out, size_t size)
{
    struct text t = TEXT_INIT;
    if (a->figures)
        phrases_figures(NULL, a->figures, &t);
    text_copy(out, size, text_get(&t));
    text_free(&t);
}
