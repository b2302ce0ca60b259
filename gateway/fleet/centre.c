#include "centre.h"

#include "ask.h"
#include "centre_answer.h"
#include "centre_record.h"
#include "centre_role.h"
#include "discreet_sheet.h"
#include "fleet_schema.h"
#include "orders.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/pulse.h"
#include "base/queue.h"
#include "web/porter.h"
#include "web/server.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CONNECTIONS (SERVER_THREADS + 2) /* to the store: the door's, and the turn's */
#define ANSWERS 64
#define ASK_MS 15000
#define KEEP_EVERY_MS 60000

struct centre {
    const struct fleet_settings *settings;
    struct centre_context context;
    pthread_mutex_t lock; /* of the connections */
    struct sql *connections[CONNECTIONS];
    struct server *server;
    struct porter *porter; /* NULL where nobody logs in */
    struct pulse door;
    struct asker *asker;
    pthread_mutex_t gate; /* of what is passed on */
    bool stopping;
    struct queue *answers; /* struct asked, whose gateway has answered */
    bool store_away;       /* said */
    int64_t kept_mono_ms;
};

/* ---- connections to the store: one for each that needs one at a time ---- */

static struct sql *take_connection(struct centre *c)
{
    struct sql *s = NULL;
    char why[SQL_WHY_SIZE] = "";
    pthread_mutex_lock(&c->lock);
    for (int i = 0; i < CONNECTIONS && !s; i++) {
        s = c->connections[i];
        c->connections[i] = NULL;
    }
    pthread_mutex_unlock(&c->lock);
    if (s)
        return s;
    s = sql_open(c->settings->database, why);
    pthread_mutex_lock(&c->lock);
    bool say = !s && !c->store_away;
    if (s && c->store_away)
        log_info("centre", "the store is there again");
    c->store_away = !s;
    pthread_mutex_unlock(&c->lock);
    if (say)
        log_warning("centre", "the store cannot be reached: %s", why);
    return s;
}

/* err: of its last use; a connection that broke is not used again */
static void give_connection(struct centre *c, struct sql *s, enum sql_err err)
{
    if (s && err != SQL_ERR_AWAY) {
        pthread_mutex_lock(&c->lock);
        for (int i = 0; i < CONNECTIONS && s; i++)
            if (!c->connections[i]) {
                c->connections[i] = s;
                s = NULL;
            }
        pthread_mutex_unlock(&c->lock);
    }
    sql_close(s);
}

static void answer(void *context, const struct web_request *r, struct web_answer *out)
{
    struct centre *c = context;
    bool api = strncmp(r->path, "/api/", 5) == 0;
    struct sql *s = api ? take_connection(c) : NULL;
    enum sql_err err = centre_answer_request(&c->context, s, r, clock_wall_ms(), out);
    give_connection(c, s, err);
}

/* ---- the door ---- */

static enum sql_err keep(struct centre *c, struct sql *s)
{
    struct door_note n;
    enum sql_err err = SQL_FINE;
    while (err == SQL_FINE && door_take_note(porter_door(c->porter), &n))
        err = centre_record_note(s, &n.said);
    if (err == SQL_FINE && access_changed(c->context.access))
        err = centre_record_save(s, c->context.access);
    return err;
}

/* on the door's thread: what came of it is in the store before anybody is told */
static void done_at_door(void *context, struct server_ask *k)
{
    struct centre *c = context;
    struct sql *s = take_connection(c);
    enum sql_err err = s ? keep(c, s) : SQL_ERR_AWAY;
    if (err != SQL_FINE) /* good until the page ends, and kept when the store is back */
        log_warning("centre", "what was asked at the door is not kept yet: %s",
                    s ? sql_why(s) : "the store is away");
    give_connection(c, s, err);
    server_answered(k);
}

/* ---- what the gateways are asked ---- */

struct asked {
    struct centre *centre;
    struct server_ask *ask;
    int64_t order; /* whose sheet it is to be; 0: it is shown */
    bool loads;
    char unit[SITE_ID_SIZE];
    struct ask_answer answer;
};

static int status_of(enum ask_err err)
{
    switch (err) {
    case ASK_OK: return 200;
    case ASK_ERR_BUSY:
    case ASK_ERR_BROKER:
    case ASK_ERR_STOPPED:
    case ASK_ERR_MEMORY: return 503;
    case ASK_ERR_TIME:
    case ASK_ERR_GATEWAY: return 504;
    case ASK_ERR_BAD: return 400;
    case ASK_ERR_FORBIDDEN:
    case ASK_ERR_REFUSED:
    case ASK_ERR_LARGE:
    case ASK_ERR_ANSWER: return 502;
    }
    return 502;
}

static const char *word_of(enum ask_err err)
{
    switch (err) {
    case ASK_OK: return "ok";
    case ASK_ERR_GATEWAY: return "gateway";
    case ASK_ERR_TIME: return "time";
    case ASK_ERR_BROKER: return "broker";
    case ASK_ERR_BUSY: return "busy";
    case ASK_ERR_FORBIDDEN: return "forbidden";
    case ASK_ERR_REFUSED: return "refused";
    case ASK_ERR_STOPPED:
    case ASK_ERR_MEMORY:
    case ASK_ERR_BAD:
    case ASK_ERR_LARGE:
    case ASK_ERR_ANSWER: return "answer";
    }
    return "answer";
}

/* what went wrong, in a sentence and in a word that the page has in its languages */
static void answer_fault(struct web_answer *out, enum ask_err err, const char *why)
{
    web_json(out, json_pack("{s:s, s:s}", "error", why, "why", word_of(err)));
    out->status = status_of(err);
    out->tag[0] = '\0';
}

/* the gateway's answer as it came: an object, read once already */
static void answer_sheet(struct web_answer *out, const struct ask_answer *x)
{
    text_append(&out->body, "{\"sheet\":");
    text_append_bytes(&out->body, x->json, x->length);
    text_append(&out->body, "}");
    web_json_text(out);
    out->tag[0] = '\0';
}

static void attach(struct asked *q, struct web_answer *out)
{
    struct centre *c = q->centre;
    char why[ORDER_WHY_SIZE] = "the centre's store cannot be reached at the moment";
    struct sql *s = take_connection(c);
    const struct access_who *who = &q->ask->who;
    const struct order_step step = {.act = ORDER_ATTACH,
                                    .number = q->order,
                                    .who = who->id[0] ? who->name : "page",
                                    .role = who->id[0] ? delivery_role_name(who->role) : "",
                                    .person = "",
                                    .note = "",
                                    .contractor = "",
                                    .contractor_name = "",
                                    .sheet = q->answer.json,
                                    .sheet_loads = q->loads};
    enum orders_err err = s ? orders_step(s, &step, clock_wall_ms(), why) : ORDERS_STORE;
    if (err == ORDERS_FINE)
        web_json(out, json_pack("{s:b}", "ok", 1));
    else
        web_error(out, err == ORDERS_STORE ? 503 : 409, "%s",
                  err == ORDERS_UNKNOWN ? "there is no such work order" : why);
    give_connection(c, s, err == ORDERS_STORE ? SQL_ERR_AWAY : SQL_FINE);
}

static void make_discreet(struct ask_answer *x)
{
    char *less = discreet_sheet(x->json, x->length);
    free(x->json);
    x->json = less;
    x->length = less ? strlen(less) : 0;
    if (!less) {
        x->err = ASK_ERR_ANSWER;
        snprintf(x->why, sizeof x->why, "what the gateway answered cannot be read");
    }
}

static void finish(struct asked *q)
{
    struct web_answer *out = &q->ask->answer;
    if (q->answer.err == ASK_OK && !q->loads)
        make_discreet(&q->answer);
    if (q->answer.err != ASK_OK)
        answer_fault(out, q->answer.err, q->answer.why);
    else if (q->order)
        attach(q, out);
    else
        answer_sheet(out, &q->answer);
    server_answered(q->ask);
    ask_answer_free(&q->answer);
    free(q);
}

/* on the asker's thread, which must not wait */
static void gateway_answered(void *context, struct ask_answer *x)
{
    struct asked *q = context;
    q->answer = *x;
    if (!queue_push(q->centre->answers, q)) { /* it holds as many as can be asked */
        q->answer.err = ASK_ERR_BUSY;
        finish(q);
    }
}

static void begin_asking(struct centre *c, struct server_ask *k)
{
    json_t *o = json_loadb(text_get(&k->body), k->body.length, 0, NULL);
    const char *unit = json_string_value(json_object_get(o, "unit"));
    struct asked *q = calloc(1, sizeof *q);
    json_t *members = json_object();
    char *text = NULL;
    enum ask_err err = ASK_ERR_MEMORY;
    if (q && unit) {
        *q = (struct asked){.centre = c, .ask = k};
        q->order = json_integer_value(json_object_get(o, "order"));
        q->loads = json_is_true(json_object_get(o, "loads"));
        text_copy(q->unit, sizeof q->unit, unit);
        const char *trip = json_string_value(json_object_get(o, "trip"));
        if (trip && trip[0])
            json_object_set_new(members, "trip", json_string(trip));
        if (json_object_get(o, "role"))
            json_object_set(members, "role", json_object_get(o, "role"));
        text = json_dumps(members, JSON_COMPACT);
    }
    if (text)
        err = asker_begin(c->asker, unit, "sheet", text, ASK_MS, gateway_answered, q);
    if (err != ASK_OK) {
        char why[ASK_WHY_SIZE];
        snprintf(why, sizeof why, "%s", ask_strerror(err));
        answer_fault(&k->answer, err, why);
        server_answered(k);
        free(q);
    }
    free(text);
    json_decref(members);
    json_decref(o);
}

static bool pass(void *context, struct server_ask *k)
{
    struct centre *c = context;
    pthread_mutex_lock(&c->gate);
    bool taken = !c->stopping && (k->kind != WEB_DOOR || porter_push(c->porter, k));
    if (taken && k->kind != WEB_DOOR)
        begin_asking(c, k);
    pthread_mutex_unlock(&c->gate);
    return taken;
}

/* ---- starting and stopping ---- */

static bool start_access(struct centre *c, struct sql *s, char why[CENTRE_WHY_SIZE])
{
    const struct delivery *people = &c->settings->people;
    bool good;
    c->context.access = access_create(people);
    if (!c->context.access)
        return false;
    if (centre_record_load(s, c->context.access, &good) != SQL_FINE) {
        snprintf(why, CENTRE_WHY_SIZE, "%s", sql_why(s));
        return false;
    }
    if (!good)
        log_error("centre", "who may log in was damaged in the store, and is forgotten");
    porter_say_first_code(c->context.access);
    pulse_init(&c->door, "page door", INT64_C(120000));
    c->porter =
        porter_create(c->context.access, people, centre_may_json, &c->door, done_at_door, c);
    return c->porter != NULL;
}

static bool start(struct centre *c, char why[CENTRE_WHY_SIZE])
{
    static const struct server_calls calls = {.answer = answer, .pass = pass};
    struct sql *s = sql_open(c->settings->database, why);
    if (!s)
        return false;
    c->connections[0] = s;
    if (fleet_schema_migrate(s) != SQL_FINE) {
        snprintf(why, CENTRE_WHY_SIZE, "%s", sql_why(s));
        return false;
    }
    snprintf(why, CENTRE_WHY_SIZE, "memory is short");
    if (page_asks_who(&c->settings->page) && !start_access(c, s, why))
        return false;
    c->answers = queue_create(ANSWERS);
    if (!c->answers || !(c->asker = asker_start(c->settings, why)))
        return false;
    c->server = server_start(
        &(struct server_options){.settings = &c->settings->page, .calls = &calls, .context = c},
        why, CENTRE_WHY_SIZE);
    return c->server != NULL;
}

struct centre *centre_create(const struct fleet_settings *settings, char why[CENTRE_WHY_SIZE])
{
    struct centre *c = calloc(1, sizeof *c);
    snprintf(why, CENTRE_WHY_SIZE, "memory is short");
    if (!c)
        return NULL;
    pthread_mutex_init(&c->lock, NULL);
    pthread_mutex_init(&c->gate, NULL);
    c->settings = settings;
    c->context.people = &settings->people;
    if (start(c, why))
        return c;
    centre_destroy(c);
    return NULL;
}

int centre_port(const struct centre *c)
{
    return server_port(c->server);
}

void centre_turn(struct centre *c, int timeout_ms)
{
    struct asked *q = queue_pop(c->answers, timeout_ms);
    if (q)
        finish(q);
    server_tend(c->server);
    int64_t now = clock_mono_ms();
    if (!c->porter || now - c->kept_mono_ms < KEEP_EVERY_MS)
        return;
    c->kept_mono_ms = now; /* when sessions were used, and what the store was away for */
    struct sql *s = take_connection(c);
    give_connection(c, s, s ? keep(c, s) : SQL_ERR_AWAY);
}

void centre_destroy(struct centre *c)
{
    struct asked *q;
    if (!c)
        return;
    pthread_mutex_lock(&c->gate);
    c->stopping = true;
    pthread_mutex_unlock(&c->gate);
    porter_stop(c->porter);
    asker_stop(c->asker); /* whoever waits for a gateway is told so */
    while (c->answers && (q = queue_pop(c->answers, 0)))
        finish(q);
    server_stop(c->server);
    if (c->porter && c->connections[0])
        keep(c, c->connections[0]);
    porter_destroy(c->porter);
    access_destroy(c->context.access);
    queue_destroy(c->answers);
    for (int i = 0; i < CONNECTIONS; i++)
        sql_close(c->connections[i]);
    pthread_mutex_destroy(&c->lock);
    pthread_mutex_destroy(&c->gate);
    free(c);
}
