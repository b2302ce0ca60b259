#include "collector.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>

#define LOOK_MS 5 /* at the filer, while it works */
#define WAIT_MS 1000
#define AWAY_MS 50 /* between looks while the store is away */

struct collector {
    struct filer *filer;
    struct intake *intake;
    struct pile piles[2];
    struct pile *filling; /* one of them; the other is with the filer, or empty */
    bool given;           /* the other one is with the filer */
    bool refusal_said;
    bool leaving; /* the store is away: what still comes is not taken */
    struct collector_counts counts;
};

/* ---- to the filer and back ---- */

static void take_back(struct collector *c)
{
    struct pile *b = filer_take_back(c->filer);
    if (!b)
        return;
    c->given = false;
    pile_clear(b);
    /* refused ones that came since were held by none */
    intake_taken(c->intake,
                 c->filling->count == 0 && c->filling->tag ? c->filling->tag : b->tag);
}

static void give(struct collector *c)
{
    if (c->filling->count == 0 || !filer_give(c->filer, c->filling))
        return;
    c->given = true;
    c->filling = c->filling == &c->piles[0] ? &c->piles[1] : &c->piles[0];
    c->filling->tag = 0;
}

static bool is_full(const struct pile *b)
{
    return b->count == PILE_ITEMS || b->records >= COLLECTOR_RECORDS;
}

static void look_at_filer(struct collector *c)
{
    take_back(c);
    if (is_full(c->filling) ||
        (c->filling->count > 0 &&
         clock_mono_ms() - c->filling->first_mono_ms >= COLLECTOR_WAIT_MS))
        give(c);
}

/* ---- what comes ---- */

static struct pile_item *hold(struct collector *c, const char *site, uint64_t tag)
{
    struct pile *b = c->filling;
    struct pile_item *item = &b->items[b->count];
    if (b->count == 0)
        b->first_mono_ms = clock_mono_ms();
    *item = (struct pile_item){0};
    text_copy(item->site, sizeof item->site, site);
    b->count++;
    b->tag = tag;
    return item;
}

static void refuse(struct collector *c, const char *site, const char *why)
{
    if (!c->refusal_said)
        log_warning("fleet", "what %s sent cannot be filed: %s; others are counted", site, why);
    c->refusal_said = true;
    c->counts.refused++;
}

/* Waits for room: so a store that is slow slows the broker down. True when the message is not
 * taken, because the store is away and what is held is enough: the broker gives it again, or
 * the gap is asked for. */
static bool pass_over(struct collector *c)
{
    while (!c->leaving && is_full(c->filling)) {
        look_at_filer(c);
        c->leaving = !filer_store_up(c->filer);
        if (!c->leaving && is_full(c->filling))
            filer_wait(c->filer, WAIT_MS);
    }
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
    if (p && parcel_read(p, site, payload, length, why)) {
        c->filling->records += p->count;
        hold(c, site, tag)->parcel = p;
        if (is_full(c->filling))
            look_at_filer(c);
        return;
    }
    refuse(c, site, p ? why : "memory is short");
    free(p);
    c->filling->tag = tag; /* coming again would not help */
    if (c->filling->count == 0 && !c->given)
        intake_taken(c->intake, tag);
}

static void on_line(void *context, const char *site, bool online, uint64_t tag)
{
    struct collector *c = context;
    if (!pass_over(c))
        hold(c, site, tag)->online = online;
}

static const struct intake_calls calls = {.up = on_up, .line = on_line};

/* ---- gaps ---- */

static void ask(void *context, const char *site, int64_t after, int64_t to)
{
    struct collector *c = context;
    char json[96];
    snprintf(json, sizeof json, "{\"after\":%lld,\"to\":%lld}", (long long)after,
             (long long)to);
    c->counts.asked += intake_ask(c->intake, site, "send-again", json);
}

/* ---- the turn ---- */

static int time_to_wait(const struct collector *c, int timeout_ms)
{
    int64_t left = c->filling->first_mono_ms + COLLECTOR_WAIT_MS - clock_mono_ms();
    if (c->given && timeout_ms > LOOK_MS)
        timeout_ms = LOOK_MS;
    if (c->given || c->filling->count == 0 || left > timeout_ms)
        return timeout_ms;
    return left > 0 ? (int)left : 0;
}

/* The store is away, or just was: first what is held, then what comes. */
static void settle_store(struct collector *c)
{
    look_at_filer(c);
    if (!filer_store_up(c->filer))
        c->leaving = true;
    else if (c->leaving && !is_full(c->filling))
        c->leaving = false;
}

void collector_turn(struct collector *c, int timeout_ms)
{
    settle_store(c);
    if (c->leaving) {
        int ms = timeout_ms < AWAY_MS ? timeout_ms : AWAY_MS;
        clock_sleep_until_us(clock_mono_us() + 1000 * (int64_t)ms);
        return;
    }
    bool up = intake_turn(c->intake, time_to_wait(c, timeout_ms));
    filer_note_line(c->filer, up);
    filer_take_gaps(c->filer, ask, c);
    bool passed_over = c->leaving; /* something that the broker has to give again */
    settle_store(c);
    if (c->leaving || passed_over) /* not from within the turn, which is the connection's own */
        intake_leave(c->intake);
    c->counts.broker_up = up && !c->leaving;
}

const struct pulse *collector_pulse(const struct collector *c)
{
    return filer_pulse(c->filer);
}

void collector_get_counts(const struct collector *c, struct collector_counts *out)
{
    *out = c->counts;
    out->held = c->filling->count;
    filer_get_counts(c->filer, &out->filed);
}

/* ---- create and destroy ---- */

struct collector *collector_create(const struct fleet_settings *settings,
                                   char why[INTAKE_WHY_SIZE])
{
    struct collector *c = calloc(1, sizeof *c);
    snprintf(why, INTAKE_WHY_SIZE, "memory is short");
    if (!c)
        return NULL;
    c->filling = &c->piles[0];
    c->filer = filer_create(&(struct ledger_options){.where = settings->database,
                                                     .known_only = settings->known_only});
    if (c->filer)
        c->intake = intake_open(
            &(struct intake_options){.settings = settings, .calls = &calls, .context = c}, why);
    if (c->intake)
        return c;
    collector_destroy(c);
    return NULL;
}

static void file_rest(struct collector *c)
{
    while (c->given && filer_store_up(c->filer)) {
        filer_wait(c->filer, WAIT_MS);
        take_back(c);
    }
}

void collector_destroy(struct collector *c)
{
    if (!c)
        return;
    if (c->intake) {
        file_rest(c);
        give(c);
        file_rest(c);
    }
    intake_close(c->intake);
    filer_destroy(c->filer);
    for (int i = 0; i < 2; i++)
        pile_clear(&c->piles[i]);
    free(c);
}
