#include "sim_run.h"

#include "sim_site.h"

#include "base/clock.h"
#include "base/log.h"

#include <mosquitto.h>

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <unistd.h>

#define CONNECT_AT_ONCE 200 /* on their way at a time: a broker's backlog is bounded */
#define SEND_AT_ONCE 256    /* batches on their way: more only lie in buffers */
#define SETTLE_MS 1000      /* from all being there to the first event */
#define RETRY_MS 1000
#define KEEPALIVE_S 60
#define MISC_MS 5000
#define FEED_MS 5
#define FIRST_WORD (-INT64_C(1000000000000)) /* due at once */
#define YEAR_MS (INT64_C(365) * 86400000)

enum line_state { AWAY, DIALLING, UP };

struct sim_line {
    struct sim_site site;
    struct sim_run *run;
    struct mosquitto *mosq;
    enum line_state state;
    bool dark;          /* no supply: no line either */
    uint32_t events;    /* what epoll watches for */
    int mid, again_mid; /* of the batches on their way, 0: none */
    int64_t sent_ms, health_ms, retry_ms;
    uint32_t story;
    uint32_t dials;
    int phase; /* the next record of it */
    int64_t story_ms;
};

struct sim_run {
    const struct sim_options *o;
    struct sim_line *lines;
    struct fleet_node nodes[FLEET_MOST_NODES];
    size_t node_count;
    size_t up, dialling;
    size_t on_way; /* batches */
    size_t turn;   /* whose it is to send first */
    int epoll;
    int64_t now_ms; /* of this turn, monotonic */
    int64_t begin_ms, last_answer_ms;
    uint64_t chance;
    int storm;         /* how far it is: 0 not yet, 1 dark, 2 over */
    struct text batch; /* the memory of the one that is made */
    struct sim_result result;
};

/* ---- one line ---- */

static void publish(struct sim_line *l, const char *word, const char *payload, size_t length,
                    bool retain, int *mid)
{
    char topic[SITE_ID_SIZE + 32];
    snprintf(topic, sizeof topic, "foretrip/%s/%s", l->site.id, word);
    if (mosquitto_publish(l->mosq, mid, topic, (int)length, payload, 1, retain) !=
            MOSQ_ERR_SUCCESS &&
        mid)
        *mid = 0;
}

static void on_connect(struct mosquitto *mosq, void *context, int reason)
{
    struct sim_line *l = context;
    char filter[SITE_ID_SIZE + 32];
    if (reason != 0)
        return;
    l->state = UP;
    l->run->dialling--;
    if (++l->run->up > l->run->result.connected)
        l->run->result.connected = l->run->up;
    snprintf(filter, sizeof filter, "foretrip/%s/command/#", l->site.id);
    mosquitto_subscribe(mosq, NULL, filter, 1);
    publish(l, "status", "online", 6, true, NULL);
}

static void on_publish(struct mosquitto *mosq, void *context, int mid)
{
    struct sim_line *l = context;
    (void)mosq;
    if (mid == l->mid) {
        l->mid = 0;
        l->run->on_way--;
        l->run->result.acknowledged += (int64_t)(l->site.sending - l->site.acknowledged);
        l->site.acknowledged = l->site.sending;
        l->run->last_answer_ms = clock_mono_ms();
    } else if (mid == l->again_mid) {
        l->again_mid = 0;
        l->site.again_from = l->site.again_sending;
    }
}

static void on_message(struct mosquitto *mosq, void *context, const struct mosquitto_message *m)
{
    struct sim_line *l = context;
    struct sim_answer a = {0};
    const char *verb = strstr(m->topic, "/command/");
    (void)mosq;
    if (!verb)
        return;
    l->run->result.again += sim_site_command(&l->site, verb + 9, m->payload,
                                             (size_t)m->payloadlen, clock_wall_ms(), &a);
    if (a.reply_to)
        mosquitto_publish(l->mosq, NULL, a.reply_to, (int)a.json.length, a.json.bytes, 1,
                          false);
    sim_answer_free(&a);
}

static void watch(struct sim_line *l)
{
    uint32_t wanted = EPOLLIN | (mosquitto_want_write(l->mosq) ? (uint32_t)EPOLLOUT : 0U);
    struct epoll_event e = {.events = wanted, .data.ptr = l};
    if (wanted == l->events)
        return;
    epoll_ctl(l->run->epoll, l->events ? EPOLL_CTL_MOD : EPOLL_CTL_ADD,
              mosquitto_socket(l->mosq), &e);
    l->events = wanted;
}

static void hang_up(struct sim_line *l)
{
    l->run->up -= l->state == UP;
    l->run->dialling -= l->state == DIALLING;
    l->run->result.reconnects += l->state == UP;
    mosquitto_destroy(l->mosq); /* closes the socket, and with it epoll's watch */
    l->mosq = NULL;
    l->state = AWAY;
    l->events = 0;
    l->run->on_way -= l->mid != 0;
    l->mid = l->again_mid = 0;
    l->retry_ms = l->run->now_ms + RETRY_MS +
                  sim_hash(l->site.number, (uint32_t)l->run->now_ms) % RETRY_MS;
}

static void dial(struct sim_line *l)
{
    char topic[SITE_ID_SIZE + 32];
    const struct fleet_node *at =
        &l->run->nodes[(l->site.number + l->dials++) % l->run->node_count];
    l->mosq = mosquitto_new(l->site.id, true, l);
    if (!l->mosq)
        return;
    l->state = DIALLING;
    l->run->dialling++;
    snprintf(topic, sizeof topic, "foretrip/%s/status", l->site.id);
    mosquitto_connect_callback_set(l->mosq, on_connect);
    mosquitto_publish_callback_set(l->mosq, on_publish);
    mosquitto_message_callback_set(l->mosq, on_message);
    mosquitto_int_option(l->mosq, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_will_set(l->mosq, topic, 7, "offline", 1, true);
    int rc = mosquitto_connect_async(l->mosq, at->host, at->port, KEEPALIVE_S);
    if ((rc == MOSQ_ERR_SUCCESS || rc == MOSQ_ERR_CONN_PENDING) &&
        mosquitto_socket(l->mosq) >= 0)
        watch(l);
    else
        hang_up(l);
}

static void serve(struct sim_line *l, uint32_t events)
{
    int rc = MOSQ_ERR_SUCCESS;
    if (!l->mosq)
        return;
    if (events & EPOLLOUT)
        rc = mosquitto_loop_write(l->mosq, 1);
    if (rc == MOSQ_ERR_SUCCESS && events & (EPOLLIN | EPOLLERR | EPOLLHUP))
        rc = mosquitto_loop_read(l->mosq, 1);
    if (rc != MOSQ_ERR_SUCCESS)
        hang_up(l);
    else
        watch(l);
}

/* ---- what a site sends ---- */

static void publish_batch(struct sim_line *l, int *mid)
{
    struct text *t = &l->run->batch;
    if (t->failed)
        text_free(t); /* later is right */
    else
        publish(l, "up", t->bytes, t->length, false, mid);
    text_clear(t);
    watch(l);
}

static void send_batch(struct sim_line *l, bool health)
{
    sim_site_compose(&l->site, health, &l->run->batch);
    publish_batch(l, &l->mid);
    l->run->on_way += l->mid != 0;
    l->sent_ms = l->run->now_ms;
    if (health) { /* after the first, those of all do not come in the same second */
        uint32_t spread = (uint32_t)(l->run->o->health_seconds * 1000.0) + 1;
        bool first = l->health_ms == FIRST_WORD;
        l->health_ms = l->run->now_ms - (first ? sim_hash(l->site.number, 8) % spread : 0);
    }
    l->run->result.batches++;
}

static void send_again(struct sim_line *l)
{
    sim_site_compose_again(&l->site, &l->run->batch);
    publish_batch(l, &l->again_mid);
}

/* False when there is no room for its batch now. */
static bool feed(struct sim_line *l)
{
    const struct sim_options *o = l->run->o;
    int64_t now = l->run->now_ms;
    if (l->state != UP)
        return true;
    bool health = now - l->health_ms >= (int64_t)(o->health_seconds * 1000.0);
    bool news = sim_site_has_news(&l->site) &&
                now - l->sent_ms >= (int64_t)(o->period_seconds * 1000.0);
    bool due = l->mid == 0 && (health || news);
    if (due && l->run->on_way < SEND_AT_ONCE) {
        send_batch(l, health);
        due = false;
    }
    if (l->again_mid == 0 && sim_site_has_again(&l->site))
        send_again(l);
    return !due;
}

/* ---- what happens at the sites ---- */

/* 0 to below 2^31; the run's own (xorshift64*, as Vigna gives it) */
static uint32_t draw(struct sim_run *r)
{
    r->chance ^= r->chance >> 12;
    r->chance ^= r->chance << 25;
    r->chance ^= r->chance >> 27;
    return (uint32_t)((r->chance * UINT64_C(2685821657736338717)) >> 33);
}

static void tell_next(struct sim_run *r, int64_t wall_ms)
{
    assert(r->o->sites > 0);
    struct sim_line *l = &r->lines[draw(r) % r->o->sites];
    if (l->dark)
        return;
    if (l->phase == 0)
        l->story_ms = wall_ms;
    if (sim_site_add(&l->site, (enum sim_what)l->phase, l->story, l->story_ms, wall_ms))
        r->result.told++;
    l->phase = (l->phase + 1) % SIM_STORY;
    l->story += l->phase == 0;
}

static void tell_due(struct sim_run *r)
{
    double due = r->o->per_second * (double)(r->now_ms - r->begin_ms) / 1000.0;
    if (r->o->records > 0 && due > (double)r->o->records)
        due = (double)r->o->records;
    int64_t wall_ms = clock_wall_ms();
    static const int64_t most = 100000; /* in one turn */
    for (int64_t i = 0; (double)r->result.told < due && i < most; i++)
        tell_next(r, wall_ms);
}

static bool in_storm(const struct sim_line *l)
{
    return sim_hash(l->site.number, 5) % 100 < SIM_STORM_PERCENT;
}

static void add_dark(struct sim_line *l, bool dark, int64_t since_ms, int64_t wall_ms)
{
    if (dark)
        sim_site_add(&l->site, SIM_DARK_ALARM, 0, since_ms, wall_ms);
    for (uint32_t i = 0; i < SIM_DARK_CIRCUITS; i++)
        sim_site_add(&l->site, dark ? SIM_DARK_TRIP : SIM_LIGHT_RESTORED,
                     1000000 + (l->story << 4) * SIM_DARK_CIRCUITS + i, since_ms, wall_ms);
    if (!dark)
        sim_site_add(&l->site, SIM_LIGHT_ALARM, 0, since_ms, wall_ms);
    l->run->result.told += SIM_DARK_CIRCUITS + 1;
}

/* Gateways of an even number have a battery and tell at once; the others fall silent and tell
 * when they are back. */
static void go_dark(struct sim_line *l, int64_t wall_ms)
{
    l->story_ms = wall_ms;
    l->dark = true;
    add_dark(l, true, wall_ms, wall_ms);
    if (l->site.number % 2 == 1 && l->mosq)
        hang_up(l); /* without a word: the broker tells its will */
    if (l->site.number % 2 == 1)
        l->retry_ms = INT64_MAX;
}

static void come_back(struct sim_line *l, int64_t wall_ms)
{
    l->dark = false;
    add_dark(l, false, l->story_ms, wall_ms);
    if (l->retry_ms == INT64_MAX)
        l->retry_ms = 0;
    l->story += SIM_DARK_CIRCUITS;
    l->phase = 0;
}

static void play_storm(struct sim_run *r)
{
    const struct sim_options *o = r->o;
    int64_t at = r->begin_ms + (int64_t)(o->storm_after_seconds * 1000.0);
    int64_t wall_ms = clock_wall_ms();
    if (o->storm_after_seconds <= 0 || r->now_ms < at || r->storm == 2)
        return;
    size_t dark = 0;
    for (size_t i = 0; i < o->sites; i++) {
        struct sim_line *l = &r->lines[i];
        int64_t back =
            at + 1000 + sim_hash(l->site.number, 6) % (int64_t)(o->storm_seconds * 1000.0);
        if (in_storm(l) && r->storm == 0)
            go_dark(l, wall_ms);
        else if (l->dark && r->now_ms >= back)
            come_back(l, wall_ms);
        dark += l->dark;
    }
    if (r->storm == 0)
        log_info("sim", "%zu sites lose their supply", dark);
    r->storm = dark > 0 ? 1 : 2;
}

/* ---- the run ---- */

static void dial_some(struct sim_run *r)
{
    for (size_t i = 0; i < r->o->sites && r->dialling < CONNECT_AT_ONCE; i++)
        if (r->lines[i].state == AWAY && r->now_ms >= r->lines[i].retry_ms)
            dial(&r->lines[i]);
}

static void look_after(struct sim_run *r)
{
    for (size_t i = 0; i < r->o->sites; i++) {
        struct sim_line *l = &r->lines[i];
        if (l->mosq && mosquitto_loop_misc(l->mosq) != MOSQ_ERR_SUCCESS)
            hang_up(l);
    }
}

static bool all_told(const struct sim_run *r)
{
    const struct sim_options *o = r->o;
    if ((o->per_second > 0 && (o->records == 0 || r->result.told < o->records)) ||
        (o->storm_after_seconds > 0 && r->storm < 2) || (o->per_second <= 0 && o->records < 0))
        return false;
    for (size_t i = 0; i < o->sites; i++)
        if (sim_site_has_news(&r->lines[i].site))
            return false;
    return true;
}

static bool over(struct sim_run *r, int64_t *all_ms)
{
    const struct sim_options *o = r->o;
    if (o->stop && *o->stop)
        return true;
    if (o->seconds > 0)
        return r->begin_ms > 0 && r->now_ms - r->begin_ms >= (int64_t)(o->seconds * 1000.0);
    if (!all_told(r))
        *all_ms = 0;
    else if (*all_ms == 0)
        *all_ms = r->now_ms;
    return *all_ms > 0 && r->now_ms - *all_ms >= (int64_t)(o->linger_seconds * 1000.0);
}

/* what happens, and what is told of it: for all of them, so not at every word that comes */
static void go_on(struct sim_run *r)
{
    if (r->begin_ms > 0 && r->now_ms >= r->begin_ms) {
        tell_due(r);
        play_storm(r);
    }
    for (size_t i = 0; i < r->o->sites && feed(&r->lines[r->turn]); i++)
        r->turn = (r->turn + 1) % r->o->sites;
}

static void loop(struct sim_run *r)
{
    struct epoll_event events[256];
    int64_t misc_ms = r->now_ms, fed_ms = 0, all_ms = 0;
    while (r->now_ms = clock_mono_ms(), !over(r, &all_ms)) {
        if (r->up + r->dialling < r->o->sites)
            dial_some(r);
        if (r->begin_ms == 0 && r->up == r->o->sites) {
            r->begin_ms = r->now_ms + SETTLE_MS;
            log_info("sim", "%zu sites are at the broker", r->up);
        }
        if (r->now_ms - fed_ms >= FEED_MS) {
            fed_ms = r->now_ms;
            go_on(r);
        }
        int n = epoll_wait(r->epoll, events, 256, FEED_MS);
        for (int i = 0; i < n; i++)
            serve(events[i].data.ptr, events[i].events);
        if (r->now_ms - misc_ms >= MISC_MS) {
            misc_ms = r->now_ms;
            look_after(r);
        }
    }
}

static bool prepare(struct sim_run *r)
{
    int64_t wall_ms = clock_wall_ms();
    r->epoll = epoll_create1(EPOLL_CLOEXEC);
    r->node_count = fleet_list_nodes(r->o->settings, r->nodes);
    r->lines = calloc(r->o->sites, sizeof *r->lines);
    if (r->epoll < 0 || !r->lines)
        return false;
    for (size_t i = 0; i < r->o->sites; i++) {
        struct sim_line *l = &r->lines[i];
        l->run = r;
        l->story = 100;
        /* numbers begin at the milliseconds of the record's creation, as a gateway's do */
        sim_site_init(&l->site, (uint32_t)i, wall_ms - YEAR_MS);
        int64_t from = wall_ms - (int64_t)(r->o->history_days * 86400000.0);
        if (r->o->history_days > 0 && !sim_site_add_history(&l->site, from, wall_ms))
            return false;
        l->health_ms = FIRST_WORD;
    }
    return true;
}

bool sim_run(const struct sim_options *o, struct sim_result *out, char *why, size_t why_size)
{
    struct sim_run r = {.o = o, .chance = UINT64_C(0x9E3779B97F4A7C15), .epoll = -1};
    mosquitto_lib_init();
    bool good = prepare(&r);
    if (good)
        loop(&r);
    else
        snprintf(why, why_size, "memory or file handles are short: %s", strerror(errno));
    if (r.last_answer_ms >
        r.begin_ms) /* a year behind them may be told before the first event */
        r.result.seconds = (double)(r.last_answer_ms - r.begin_ms) / 1000.0;
    *out = r.result;
    for (size_t i = 0; r.lines && i < o->sites; i++) {
        mosquitto_destroy(r.lines[i].mosq); /* accepts NULL */
        sim_site_finish(&r.lines[i].site);
    }
    free(r.lines);
    text_free(&r.batch);
    if (r.epoll >= 0)
        close(r.epoll);
    mosquitto_lib_cleanup();
    return good;
}
