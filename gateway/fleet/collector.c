#include "collector.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RETRY_FIRST_MS 250
#define RETRY_MOST_MS 10000
#define AGAIN_MOST 8
#define TEND_EVERY_MS 1000
#define TEND_SHARE 20 /* of the time, one part at the most */

struct held {
    char site[SITE_ID_SIZE];
    struct parcel *parcel; /* NULL: a state of the line */
    bool online;
};

struct collector {
    struct ledger_options ledger_options;
    struct ledger *ledger; /* NULL: the store is away */
    struct intake *intake;
    struct held *held;
    size_t count;
    size_t records;
    uint64_t tag;          /* the newest of those held */
    int64_t first_mono_ms; /* when the oldest came */
    int64_t retry_mono_ms; /* the store is tried again */
    int retry_ms;          /* 0: it is there */
    int64_t tend_mono_ms;  /* when next */
    int64_t start_wall_ms;
    bool refusal_said;
    bool leaving; /* the store is away: what still comes is not taken */
    struct collector_counts counts;
};

/* ---- what comes ---- */

static struct held *hold(struct collector *c, const char *site, uint64_t tag)
{
    struct held *h = &c->held[c->count];
    if (c->count == 0)
        c->first_mono_ms = clock_mono_ms();
    *h = (struct held){0};
    text_copy(h->site, sizeof h->site, site);
    c->count++;
    c->tag = tag;
    return h;
}

static void refuse(struct collector *c, const char *site, const char *why)
{
    if (!c->refusal_said)
        log_warning("fleet", "what %s sent cannot be filed: %s; others are counted", site, why);
    c->refusal_said = true;
    c->counts.refused++;
}

static void flush(struct collector *c);

/* Not taken, because the store is away and what is held is enough: the broker gives it again,
 * or the gap is asked for. */
static bool pass_over(struct collector *c)
{
    if (c->count == COLLECTOR_ITEMS)
        flush(c);
    return c->leaving;
}

static void on_up(void *context, const char *site, const void *payload, size_t length,
                  uint64_t tag)
{
    struct collector *c = context;
    char why[PARCEL_WHY_SIZE];
    if (pass_over(c))
        return;
    struct parcel *p = malloc(sizeof *p);
    c->counts.parcels++;
    if (!p || !parcel_read(p, site, payload, length, why)) {
        refuse(c, site, p ? why : "memory is short");
        free(p);
        c->tag = tag; /* coming again would not help */
        if (c->count == 0)
            intake_taken(c->intake, tag);
        return;
    }
    c->records += p->count;
    hold(c, site, tag)->parcel = p;
    if (c->records >= COLLECTOR_RECORDS)
        flush(c);
}

static void on_line(void *context, const char *site, bool online, uint64_t tag)
{
    struct collector *c = context;
    if (!pass_over(c))
        hold(c, site, tag)->online = online;
}

static const struct intake_calls calls = {.up = on_up, .line = on_line};

/* ---- into the store ---- */

static void lose_store(struct collector *c, const char *why)
{
    if (c->retry_ms == 0)
        log_error("fleet", "the store cannot be written: %s; it is tried again", why);
    c->retry_ms = c->retry_ms == 0                  ? RETRY_FIRST_MS
                  : 2 * c->retry_ms < RETRY_MOST_MS ? 2 * c->retry_ms
                                                    : RETRY_MOST_MS;
    c->retry_mono_ms = clock_mono_ms() + c->retry_ms;
    ledger_close(c->ledger);
    c->ledger = NULL;
}

static bool have_store(struct collector *c)
{
    char why[SQL_WHY_SIZE];
    if (c->ledger)
        return true;
    if (clock_mono_ms() < c->retry_mono_ms)
        return false;
    c->ledger = ledger_open(&c->ledger_options, why);
    if (!c->ledger) {
        lose_store(c, why);
        return false;
    }
    if (c->retry_ms != 0)
        log_info("fleet", "the store is there again");
    c->retry_ms = 0;
    return true;
}

static enum sql_err file(struct collector *c, const struct held *held, size_t count)
{
    struct ledger_item *items = calloc(count, sizeof *items);
    enum sql_err err = items ? SQL_ERR_AGAIN : SQL_ERR_MEMORY;
    for (size_t i = 0; items && i < count; i++)
        items[i] = (struct ledger_item){
            .site = held[i].site, .parcel = held[i].parcel, .online = held[i].online};
    for (int tries = 0; err == SQL_ERR_AGAIN && tries < AGAIN_MOST; tries++)
        err = ledger_take(c->ledger, items, count, clock_wall_ms(), &c->counts.taken);
    free(items);
    c->counts.transactions += err == SQL_FINE;
    return err;
}

/* The store refuses something for good: each by itself, so that the others get in. True when
 * all are seen to. */
static bool file_singly(struct collector *c)
{
    for (size_t i = 0; i < c->count; i++) {
        enum sql_err err = file(c, &c->held[i], 1);
        if (err == SQL_ERR_FAULT)
            refuse(c, c->held[i].site, ledger_why(c->ledger));
        else if (err != SQL_FINE)
            return false; /* those that are in are passed over next time */
    }
    return true;
}

/* how old the records are that are in the store now; those from before we came, and those sent
 * again, tell nothing of our own delay */
static void note_ages(struct collector *c)
{
    int64_t now_ms = clock_wall_ms();
    for (size_t i = 0; i < c->count; i++) {
        const struct parcel *p = c->held[i].parcel;
        for (size_t k = 0; p && !p->again && k < p->count; k++)
            if (p->records[k].wall_ms >= c->start_wall_ms)
                ages_add(&c->counts.ages, now_ms - p->records[k].wall_ms);
    }
}

static void drop_held(struct collector *c)
{
    for (size_t i = 0; i < c->count; i++)
        if (c->held[i].parcel) {
            parcel_free(c->held[i].parcel);
            free(c->held[i].parcel);
        }
    c->count = c->records = 0;
}

static void flush(struct collector *c)
{
    if (c->count == 0 || !have_store(c))
        return;
    enum sql_err err = file(c, c->held, c->count);
    if (err == SQL_ERR_FAULT && file_singly(c))
        err = SQL_FINE;
    if (err != SQL_FINE) {
        lose_store(c, ledger_why(c->ledger));
        c->leaving = true; /* takes no more before these are in */
        return;
    }
    note_ages(c);
    drop_held(c);
    intake_taken(c->intake, c->tag);
}

/* ---- gaps ---- */

static void ask(void *context, const char *site, int64_t after, int64_t to)
{
    struct collector *c = context;
    char json[96];
    snprintf(json, sizeof json, "{\"after\":%lld,\"to\":%lld}", (long long)after,
             (long long)to);
    c->counts.asked += intake_ask(c->intake, site, "send-again", json);
}

static void tend(struct collector *c)
{
    int64_t now = clock_mono_ms();
    if (!c->ledger || now < c->tend_mono_ms)
        return;
    enum sql_err err = ledger_tend(c->ledger, clock_wall_ms());
    if (err == SQL_FINE && c->counts.broker_up)
        err = ledger_take_gaps(c->ledger, clock_wall_ms(), COLLECTOR_GAPS_AT_ONCE, ask, c);
    /* where much stands this takes its time: filing goes first */
    int64_t took_ms = clock_mono_ms() - now;
    c->tend_mono_ms =
        now + (TEND_SHARE * took_ms > TEND_EVERY_MS ? TEND_SHARE * took_ms : TEND_EVERY_MS);
    if (err != SQL_FINE && err != SQL_ERR_AGAIN)
        lose_store(c, ledger_why(c->ledger));
}

/* ---- the turn ---- */

static int time_to_wait(const struct collector *c, int timeout_ms)
{
    int64_t left = c->first_mono_ms + COLLECTOR_WAIT_MS - clock_mono_ms();
    if (c->count == 0 || left > timeout_ms)
        return timeout_ms;
    return left > 0 ? (int)left : 0;
}

/* The store is away, or just was: first what is held, then what comes. */
static bool settle_store(struct collector *c)
{
    if (have_store(c) && c->leaving) {
        c->leaving = false;
        flush(c);
    }
    return c->ledger && !c->leaving;
}

void collector_turn(struct collector *c, int timeout_ms)
{
    if (!settle_store(c)) {
        int64_t left = c->retry_mono_ms - clock_mono_ms();
        clock_sleep_until_us(clock_mono_us() +
                             1000 * (left < timeout_ms ? left : (int64_t)timeout_ms));
        return;
    }
    c->counts.broker_up = intake_turn(c->intake, time_to_wait(c, timeout_ms));
    if (c->count > 0 && clock_mono_ms() - c->first_mono_ms >= COLLECTOR_WAIT_MS)
        flush(c);
    tend(c);
    if (c->leaving || !c->ledger) /* not from within the turn, which is the connection's own */
        intake_leave(c->intake);
    c->counts.broker_up = c->counts.broker_up && !c->leaving;
}

void collector_get_counts(const struct collector *c, struct collector_counts *out)
{
    *out = c->counts;
    out->held = c->count;
    out->store_up = c->ledger != NULL;
}

/* ---- create and destroy ---- */

struct collector *collector_create(const struct fleet_settings *settings,
                                   char why[INTAKE_WHY_SIZE])
{
    struct collector *c = calloc(1, sizeof *c);
    snprintf(why, INTAKE_WHY_SIZE, "memory is short");
    if (!c)
        return NULL;
    c->ledger_options = (struct ledger_options){.where = settings->database,
                                                .known_only = settings->known_only};
    c->start_wall_ms = clock_wall_ms();
    c->held = calloc(COLLECTOR_ITEMS, sizeof *c->held);
    if (c->held)
        c->intake = intake_open(
            &(struct intake_options){.settings = settings, .calls = &calls, .context = c}, why);
    if (c->intake)
        return c;
    collector_destroy(c);
    return NULL;
}

void collector_destroy(struct collector *c)
{
    if (!c)
        return;
    if (c->intake)
        flush(c);
    drop_held(c);
    intake_close(c->intake);
    ledger_close(c->ledger);
    free(c->held);
    free(c);
}
