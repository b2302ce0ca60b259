#include "courier.h"

#include "curl_late.h"
#include "post.h"
#include "wording.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/pulse.h"
#include "base/queue.h"
#include "store/reader.h"

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

#define RETRY_FIRST_MS 5000
#define RETRY_MOST_MS (15 * 60 * 1000)
#define GOODBYE_MS 2000
#define IDLE_MS 1000
#define PATIENCE_MS 60000 /* it waits for the disk only; letters have threads of their own */
#define READ_AT_ONCE 64
#define HELD_MOST 64 /* letters of a way in memory; the rest waits in the outbox */
#define UNWRITTEN_MOST 64
#define LETTER_LIFE_MS (INT64_C(48) * 3600 * 1000) /* of one that the disk would not take */
#define WAYS (2 * DELIVERY_MAX_PEOPLE)

struct held {
    struct held *next;
    int64_t id; /* 0: never was on disk */
    int64_t created_wall_ms, expires_wall_ms;
    char *payload;
};

struct way {
    const struct delivery_person *person;
    enum post_way way;
    struct held *first, *last;
    size_t count;
    int64_t last_id;   /* of the last that was held */
    bool more;         /* others of this way wait in the outbox behind it */
    struct post *post; /* the first on its way, or NULL */
    pthread_t thread;  /* which carries it */
    CURLcode code;     /* its end, when done */
    atomic_bool done;
    struct courier *courier;
    int64_t deadline_mono_ms; /* of the one on its way */
    int64_t retry_mono_ms;
    int retry_ms; /* 0: the last one went well, or was refused for good */
    bool refused; /* the last one was; nobody is told by this way until it is mended */
    unsigned lost;
};

struct unwritten { /* handed over by the store's thread */
    char topic[sizeof "webhook/" + SITE_ID_SIZE];
    char *payload;
};

struct courier {
    struct courier_options options;
    struct store_reader *reader;
    pthread_t thread;
    atomic_bool stop;
    struct queue *unwritten; /* woken whenever there is something to do */
    struct way ways[WAYS];
    size_t way_count;
    int64_t read_id;  /* every letter up to here was seen */
    uint64_t own_ids; /* of unwritten letters */
    bool reading_said;
    pthread_mutex_t lock; /* guards status */
    struct courier_status status;
    struct pulse pulse;
};

/* ---- what other threads call ---- */

void courier_wake(struct courier *c)
{
    queue_wake(c->unwritten);
}

static void hand_over(void *context, const char *topic, const char *payload, bool retain)
{
    struct courier *c = context;
    (void)retain;
    struct unwritten *u = calloc(1, sizeof *u);
    if (u && payload && (u->payload = strdup(payload))) {
        text_copy(u->topic, sizeof u->topic, topic);
        if (queue_push(c->unwritten, u))
            return;
    }
    free(u ? u->payload : NULL);
    free(u);
}

void courier_tell_unwritten(struct courier *c, int64_t mono_ms)
{
    store_take_unwritten(c->options.store, STORE_ROUTE_LETTER, mono_ms, hand_over, c);
    courier_wake(c);
}

void courier_get_status(struct courier *c, struct courier_status *out)
{
    pthread_mutex_lock(&c->lock);
    *out = c->status;
    pthread_mutex_unlock(&c->lock);
}

/* ---- letters in ---- */

static struct way *find_way(struct courier *c, const char *topic)
{
    bool mail = strncmp(topic, "mail/", 5) == 0;
    const char *id = strchr(topic, '/');
    for (size_t i = 0; id && i < c->way_count; i++)
        if ((c->ways[i].way == POST_MAIL) == mail && strcmp(c->ways[i].person->id, id + 1) == 0)
            return &c->ways[i];
    return NULL;
}

/* At the end of the way's queue. A queue that is full, or memory that is short, leaves the rest
 * in the outbox for later: a way that is down must not fill the memory of all. */
static void hold(struct way *w, const struct held *like)
{
    struct held *h = w->count < HELD_MOST && !w->more ? malloc(sizeof *h) : NULL;
    char *copy = h ? strdup(like->payload) : NULL;
    if (!copy) {
        free(h);
        w->more = true;
        return;
    }
    *h = *like;
    h->next = NULL;
    h->payload = copy;
    if (w->last)
        w->last->next = h;
    else
        w->first = h;
    w->last = h;
    w->count++;
    if (like->id > 0)
        w->last_id = like->id;
}

/* takes the first away; it is done with */
static void let_go(struct courier *c, struct way *w)
{
    struct held *h = w->first;
    w->first = h->next;
    if (!w->first)
        w->last = NULL;
    if (h->id > 0)
        store_finish(c->options.store, h->id);
    free(h->payload);
    free(h);
    w->count--;
}

/* what a reading goes by */
struct reading {
    struct courier *courier;
    struct way *only; /* NULL: of every way */
    int64_t id;       /* of the last row seen */
};

static bool take_row(void *context, const struct store_row *row)
{
    struct reading *r = context;
    struct way *w = find_way(r->courier, row->topic);
    r->id = row->id;
    if (r->only && w != r->only)
        return true;
    if (w && row->payload) {
        const struct held like = {.id = row->id,
                                  .created_wall_ms = row->created_wall_ms,
                                  .expires_wall_ms = row->expires_wall_ms,
                                  .payload = (char *)row->payload};
        hold(w, &like);
    } else {
        log_warning("mail",
                    "a letter for %s is thrown away: delivery.cfg has no such way any more",
                    row->topic);
        store_finish(r->courier->options.store, row->id);
    }
    return !r->only || !r->only->more;
}

/* letters behind after, of one way or of all; returns how far it came */
static int64_t read_behind(struct courier *c, int64_t after, struct way *only)
{
    struct reading r = {c, only, after};
    int64_t newest = store_newest(c->options.store, STORE_ROUTE_LETTER), before;
    do {
        before = r.id;
        enum store_err err = store_read_messages(c->reader, STORE_ROUTE_LETTER, r.id,
                                                 READ_AT_ONCE, take_row, &r);
        if (err && !c->reading_said)
            log_error("mail", "the record cannot be read: %s", store_strerror(err));
        c->reading_said = err != STORE_OK;
        if (err) {
            if (only)
                only->more = true;
            return r.id;
        }
    } while (r.id > before && r.id < newest && !(only && only->more));
    return only ? r.id : newest;
}

static void read_letters(struct courier *c)
{
    if (c->read_id < store_newest(c->options.store, STORE_ROUTE_LETTER))
        c->read_id = read_behind(c, c->read_id, NULL);
    for (size_t i = 0; i < c->way_count; i++) {
        struct way *w = &c->ways[i];
        if (w->first || !w->more)
            continue;
        w->more = false;
        read_behind(c, w->last_id, w);
    }
}

static void take_unwritten(struct courier *c, struct unwritten *u)
{
    struct way *w = find_way(c, u->topic);
    int64_t now = clock_wall_ms();
    struct held like = {.id = 0,
                        .created_wall_ms = now,
                        .expires_wall_ms = now + LETTER_LIFE_MS,
                        .payload = u->payload};
    if (w)
        hold(w, &like);
    free(u->payload);
    free(u);
}

/* ---- letters out ---- */

static int jittered(int ms)
{
    uint16_t r = 0;
    if (getrandom(&r, sizeof r, GRND_NONBLOCK) != (ssize_t)sizeof r)
        return ms;
    return ms * 3 / 4 + (int)((int64_t)ms * r / 131072); /* 75 to 125 % */
}

static const char *way_word(const struct way *w)
{
    return w->way == POST_MAIL ? "mail" : "webhook";
}

static void count(struct courier *c, uint64_t *what)
{
    pthread_mutex_lock(&c->lock);
    ++*what;
    pthread_mutex_unlock(&c->lock);
}

/* for whoever looks after the gateway: which way, and what the other side said */
static void note_why(struct courier *c, const struct way *w, char *at, size_t size,
                     const char *why)
{
    pthread_mutex_lock(&c->lock);
    snprintf(at, size, "%s to %.60s: %.120s", way_word(w), w->person->name, why);
    pthread_mutex_unlock(&c->lock);
}

static void lose(struct courier *c, struct way *w, const char *why)
{
    log_error("mail", "a letter to %s (%s) is given up: %s", w->person->name, way_word(w), why);
    w->lost++;
    let_go(c, w);
}

static void fail(struct courier *c, struct way *w, const char *why)
{
    int first = c->options.retry_first_ms, most = c->options.retry_most_ms;
    bool begins = w->retry_ms == 0;
    w->retry_ms = w->retry_ms == 0 ? first : 2 * w->retry_ms < most ? 2 * w->retry_ms : most;
    w->retry_mono_ms = clock_mono_ms() + jittered(w->retry_ms);
    if (begins)
        log_warning("mail", "%s to %s does not get through: %s; it is tried again", way_word(w),
                    w->person->name, why);
    count(c, &c->status.failed_tries);
    note_why(c, w, c->status.why, sizeof c->status.why, why);
}

static void expire(struct courier *c, struct way *w)
{
    while (w->first && w->first->expires_wall_ms > 0 &&
           w->first->expires_wall_ms <= clock_wall_ms()) {
        count(c, &c->status.expired);
        lose(c, w, "it is past its time");
    }
}

static void *carry(void *context)
{
    struct way *w = context;
    w->code = post_run(w->post);
    atomic_store(&w->done, true);
    courier_wake(w->courier);
    return NULL;
}

static void begin(struct courier *c, struct way *w)
{
    const struct courier_options *o = &c->options;
    char why[POST_WHY_SIZE];
    struct text lost = TEXT_INIT;
    struct wording words;
    wording_init(&words, o->phrases, w->person->language, o->site, 0);
    if (w->lost > 0)
        wording_fill(&words, PHRASE_LOST, (long)w->lost, 0, 0, &lost);
    w->post = post_create(
        &(struct post_letter){.way = w->way,
                              .mail = &o->delivery->mail,
                              .person = w->person,
                              .site_id = o->site->id,
                              .site_name = o->site->name,
                              .payload = w->first->payload,
                              .id = w->first->id ? w->first->id : -(int64_t)++c->own_ids,
                              .lost = lost.length ? text_get(&lost) : NULL,
                              .wall_ms = clock_wall_ms(),
                              .timeout_ms = 4 * o->timeout_ms},
        why);
    text_free(&lost);
    w->deadline_mono_ms = clock_mono_ms() + o->timeout_ms;
    atomic_store(&w->done, false);
    if (w->post && pthread_create(&w->thread, NULL, carry, w) == 0)
        return;
    post_destroy(w->post);
    w->post = NULL;
    fail(c, w, why[0] ? why : "memory is short");
}

static void feed(struct courier *c)
{
    int64_t now = clock_mono_ms();
    for (size_t i = 0; i < c->way_count; i++) {
        struct way *w = &c->ways[i];
        if (w->post) {
            if (now >= w->deadline_mono_ms)
                post_cut(w->post);
            continue;
        }
        expire(c, w);
        if (w->first && now >= w->retry_mono_ms)
            begin(c, w);
    }
}

static void take_result(struct courier *c, struct way *w)
{
    char why[POST_WHY_SIZE];
    pthread_join(w->thread, NULL);
    enum post_result result = post_judge(w->post, w->code, why);
    post_destroy(w->post);
    w->post = NULL;
    if (result == POST_LATER) {
        fail(c, w, why);
        return;
    }
    if (w->retry_ms > 0 && result == POST_ACCEPTED)
        log_info("mail", "%s to %s gets through again", way_word(w), w->person->name);
    w->retry_ms = 0;
    w->retry_mono_ms = 0;
    count(c, result == POST_ACCEPTED ? &c->status.accepted : &c->status.refused);
    w->refused = result == POST_REFUSED;
    if (w->refused)
        note_why(c, w, c->status.why_refused, sizeof c->status.why_refused, why);
    if (result == POST_ACCEPTED) {
        w->lost = 0;
        let_go(c, w);
    } else {
        lose(c, w, why);
    }
}

static void take_results(struct courier *c)
{
    for (size_t i = 0; i < c->way_count; i++)
        if (c->ways[i].post && atomic_load(&c->ways[i].done))
            take_result(c, &c->ways[i]);
}

static void note_status(struct courier *c)
{
    const char *missing;
    bool able = curl_late(&missing) != NULL;
    size_t down = 0, refused = 0, waiting = 0;
    int64_t now = clock_wall_ms(), oldest = now;
    for (size_t i = 0; i < c->way_count; i++) {
        down += c->ways[i].retry_ms > 0;
        refused += c->ways[i].refused;
        for (const struct held *h = c->ways[i].first; h; h = h->next, waiting++)
            oldest = h->created_wall_ms < oldest ? h->created_wall_ms : oldest;
    }
    pthread_mutex_lock(&c->lock);
    c->status.waiting = waiting;
    c->status.ways_down = able ? down : c->way_count;
    c->status.ways_refused = refused;
    c->status.oldest_ms = waiting ? now - oldest : 0;
    if (!able)
        text_copy(c->status.why, sizeof c->status.why, missing);
    else if (down == 0)
        c->status.why[0] = '\0';
    if (refused == 0)
        c->status.why_refused[0] = '\0';
    pthread_mutex_unlock(&c->lock);
}

/* ---- the thread ---- */

static int64_t time_to_wait(const struct courier *c)
{
    int64_t now = clock_mono_ms(), wait = IDLE_MS;
    for (size_t i = 0; i < c->way_count; i++) {
        const struct way *w = &c->ways[i];
        int64_t then = w->post ? w->deadline_mono_ms : w->retry_mono_ms;
        if (w->first && then - now < wait)
            wait = then > now ? then - now : w->post ? 20 : 0;
    }
    return wait;
}

static bool on_their_way(const struct courier *c)
{
    for (size_t i = 0; i < c->way_count; i++)
        if (c->ways[i].post)
            return true;
    return false;
}

/* what comes within the time */
static void turn(struct courier *c, int64_t wait_ms)
{
    struct unwritten *u = queue_pop(c->unwritten, wait_ms);
    for (; u; u = queue_pop(c->unwritten, 0))
        take_unwritten(c, u);
    take_results(c);
    note_status(c);
}

static void *run(void *context)
{
    struct courier *c = context;
    pulse_begin_thread(&c->pulse);
    while (!atomic_load(&c->stop)) {
        pulse_beat(&c->pulse);
        read_letters(c);
        feed(c);
        turn(c, time_to_wait(c));
    }
    int64_t deadline = clock_mono_ms() + GOODBYE_MS;
    while (on_their_way(c)) { /* cut off, each of them ends at once */
        for (size_t i = 0; clock_mono_ms() >= deadline && i < c->way_count; i++)
            if (c->ways[i].post)
                post_cut(c->ways[i].post);
        turn(c, 50);
    }
    pulse_end(&c->pulse);
    return NULL;
}

/* ---- start and stop ---- */

static void destroy(struct courier *c)
{
    struct unwritten *u;
    while (c->unwritten && (u = queue_pop(c->unwritten, 0))) {
        free(u->payload);
        free(u);
    }
    for (size_t i = 0; i < c->way_count; i++) {
        struct way *w = &c->ways[i];
        while (w->first) {
            struct held *h = w->first;
            w->first = h->next;
            free(h->payload);
            free(h);
        }
    }
    queue_destroy(c->unwritten);
    store_reader_close(c->reader);
    pthread_mutex_destroy(&c->lock);
    free(c);
}

static void add_way(struct courier *c, const struct delivery_person *person, enum post_way way)
{
    struct way *w = &c->ways[c->way_count++];
    w->person = person;
    w->way = way;
    w->courier = c;
}

static void list_ways(struct courier *c)
{
    const struct delivery *d = c->options.delivery;
    for (size_t i = 0; i < d->person_count; i++) {
        if (d->people[i].mail[0])
            add_way(c, &d->people[i], POST_MAIL);
        if (d->people[i].webhook[0])
            add_way(c, &d->people[i], POST_WEBHOOK);
    }
}

struct courier *courier_start(const struct courier_options *o, char *why, size_t why_size)
{
    struct courier *c = calloc(1, sizeof *c);
    if (!c) {
        snprintf(why, why_size, "memory is short");
        return NULL;
    }
    const char *missing;
    if (!curl_late(&missing))
        log_error("mail", "%s; until then nobody gets letters, they wait; watching goes on",
                  missing);
    pthread_mutex_init(&c->lock, NULL);
    pulse_init(&c->pulse, "mail", PATIENCE_MS);
    c->options = *o;
    if (o->retry_first_ms <= 0)
        c->options.retry_first_ms = RETRY_FIRST_MS;
    if (o->retry_most_ms <= 0)
        c->options.retry_most_ms = RETRY_MOST_MS;
    if (o->timeout_ms <= 0)
        c->options.timeout_ms = POST_TIMEOUT_MS;
    list_ways(c);
    c->reader = store_reader_open(o->store_path);
    c->unwritten = queue_create(UNWRITTEN_MOST);
    int rc = c->reader && c->unwritten ? 0 : ENOMEM;
    if (rc == 0)
        rc = pthread_create(&c->thread, NULL, run, c);
    if (rc != 0) {
        snprintf(why, why_size, "letters cannot be sent: %s", strerror(rc));
        destroy(c);
        return NULL;
    }
    return c;
}

const struct pulse *courier_pulse(const struct courier *c)
{
    return &c->pulse;
}

void courier_stop(struct courier *c)
{
    if (!c)
        return;
    atomic_store(&c->stop, true);
    courier_wake(c);
    pthread_join(c->thread, NULL);
    destroy(c);
}
