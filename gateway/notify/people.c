#include "people.h"

#include "people_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CLOCK_BACK_MS (10 * INT64_C(1000)) /* less is the clock being trimmed */
#define LETTER_ITEMS 20                    /* alarms in one letter; the rest goes in the next */
#define REPEATS_MOST 48                    /* after that the person does not read them */

struct people *people_create(const struct delivery *d, const struct phrases *phrases,
                             const struct site *site, struct store *store)
{
    struct people *p = calloc(1, sizeof *p);
    if (!p)
        return NULL;
    p->delivery = d;
    p->phrases = phrases;
    p->site = site;
    p->store = store;
    return p;
}

void people_destroy(struct people *p)
{
    if (!p)
        return;
    while (p->tellings) {
        struct telling *t = p->tellings;
        p->tellings = t->next;
        free(t);
    }
    while (p->known) {
        struct known *k = p->known;
        p->known = k->next;
        free(k);
    }
    free(p);
}

uint64_t people_letters(const struct people *p)
{
    return p->letters;
}

/* ---- what there is to tell ---- */

bool people_stands(const struct news *n)
{
    return n->state == ALARM_UNACKNOWLEDGED || n->state == ALARM_ACKNOWLEDGED;
}

struct known *people_find_known(const struct people *p, const char *alarm)
{
    for (struct known *k = p->known; k; k = k->next)
        if (strcmp(k->news.alarm, alarm) == 0)
            return k;
    return NULL;
}

struct known *people_add_known(struct people *p, const char *alarm)
{
    struct known *k = calloc(1, sizeof *k);
    if (!k)
        return NULL;
    text_copy(k->news.alarm, sizeof k->news.alarm, alarm);
    k->next = p->known;
    p->known = k;
    return k;
}

/* drops the tellings of the alarm that fit; told: only those told, or only those not told */
enum which { WHICH_ALL, WHICH_UNTOLD, WHICH_UNTOLD_ESCALATION };
static void drop_tellings(struct people *p, const struct known *k, enum which which)
{
    for (struct telling **at = &p->tellings; *at;) {
        struct telling *t = *at;
        bool drop = t->about == k;
        if (which != WHICH_ALL)
            drop = drop && t->told == 0;
        if (which == WHICH_UNTOLD_ESCALATION)
            drop = drop && t->why == WHY_UNANSWERED;
        if (drop) {
            *at = t->next;
            free(t);
        } else {
            at = &t->next;
        }
    }
}

struct telling *people_add_telling(struct people *p, int person, struct known *k,
                                   int64_t due_wall_ms, enum wording_why why)
{
    struct telling *t = calloc(1, sizeof *t), **last = &p->tellings;
    if (!t)
        return NULL;
    *t = (struct telling){.person = person, .about = k, .due_wall_ms = due_wall_ms, .why = why};
    while (*last)
        last = &(*last)->next;
    *last = t;
    return t;
}

/* known alarms that neither stand nor are to be told */
static void forget_done(struct people *p)
{
    for (struct known **at = &p->known; *at;) {
        struct known *k = *at;
        bool needed = people_stands(&k->news);
        for (const struct telling *t = p->tellings; t && !needed; t = t->next)
            needed = t->about == k;
        if (needed) {
            at = &k->next;
        } else {
            *at = k->next;
            free(k);
        }
    }
}

/* ---- events ---- */

static void take_loads(const struct event_near_overload *near, struct news *n)
{
    n->load_count = 0;
    for (size_t i = 0; near && i < near->switch_off_count && i < NEWS_LOADS; i++) {
        struct news_load *l = &n->loads[n->load_count++];
        text_copy(l->appliance, sizeof l->appliance, near->switch_off[i].appliance);
        l->amps = near->switch_off[i].amps;
    }
}

/* The alarm that this one continues for the people who were told of it: the same one, or the
 * warning or trip of its circuit. */
static const struct known *begun_as(const struct people *p, const struct event_alarm *a)
{
    static const enum alarm_kind before[] = {ALARM_TRIP, ALARM_NEAR_OVERLOAD};
    char id[EVENT_ID_SIZE];
    const struct known *k = people_find_known(p, a->id);
    size_t i = a->kind == ALARM_OPENED_AGAIN ? 0 : a->kind == ALARM_TRIP ? 1 : 2;
    for (; !k && i < sizeof before / sizeof before[0]; i++) {
        snprintf(id, sizeof id, "%.*s.%s", (int)(strrchr(a->id, '.') - a->id), a->id,
                 alarm_kind_name(before[i]));
        k = people_find_known(p, id);
    }
    return k;
}

/* what the alarm says now */
static void take_words(const struct people *p, const struct event *e, struct news *n)
{
    const struct event_alarm *a = &e->alarm;
    figures_clear(&n->figures);
    if (a->figures)
        n->figures = *a->figures;
    n->matter = matter_of(a->kind, a->alert, wording_cause(p->site, e->circuit, &n->figures));
    n->priority = a->priority;
    text_copy(n->text, sizeof n->text, a->text);
    text_copy(n->advice, sizeof n->advice, a->advice);
}

/* To whom it belongs by priority: at once, or when nobody has acknowledged it by then. */
static void tell_of_it(struct people *p, int person, struct known *k, int64_t wall_ms)
{
    int64_t wait = p->delivery->people[person].after_minutes * MINUTE_MS;
    if (news_is_alert(&k->news) && wait > 0)
        return; /* there is nothing to answer */
    people_add_telling(p, person, k, wall_ms + wait + PEOPLE_GATHER_MS,
                       wait > 0 ? WHY_UNANSWERED : WHY_NEW);
}

static void take_raised(struct people *p, const struct event *e)
{
    const struct event_alarm *a = &e->alarm;
    char thread[NEWS_THREAD_SIZE];
    const struct known *begun = begun_as(p, a);
    snprintf(thread, sizeof thread, "%s.%lld", a->id, (long long)e->wall_ms);
    text_copy(thread, sizeof thread, begun ? begun->news.thread : thread);
    struct known *k = people_find_known(p, a->id);
    if (!k && !(k = people_add_known(p, a->id)))
        return;
    struct news *n = &k->news;
    text_copy(n->thread, sizeof n->thread, thread);
    drop_tellings(p, k, WHICH_ALL);
    n->kind = a->kind;
    n->state = a->state;
    n->raised_wall_ms = a->raised_wall_ms ? a->raised_wall_ms : e->wall_ms;
    n->over_wall_ms = 0;
    take_loads(a->near_overload, n);
    take_words(p, e, n);
    /* as people are told: a feeder that took ten circuits is one breaker, a dark house none */
    bool breaker = e->circuit >= 0 && (a->kind == ALARM_TRIP || a->kind == ALARM_OPENED_AGAIN);
    for (size_t i = 0; i < p->delivery->person_count; i++) {
        p->readers[i].trips += breaker;
        if ((int)a->priority > p->delivery->people[i].least)
            continue;
        p->readers[i].raised += !a->alert;
        p->readers[i].urgent += a->priority == PRIORITY_URGENT;
        tell_of_it(p, (int)i, k, e->wall_ms);
    }
}

static struct telling *find_telling(const struct people *p, int person, const struct known *k)
{
    struct telling *t = p->tellings;
    while (t && (t->person != person || t->about != k))
        t = t->next;
    return t;
}

/* Who was told what to do is told once more; who was not yet hears it in time, as it is now. */
static void take_advice(struct people *p, struct known *k, int64_t wall_ms)
{
    for (size_t i = 0; i < p->delivery->person_count; i++) {
        struct telling *t = find_telling(p, (int)i, k);
        if ((int)k->news.priority > p->delivery->people[i].least)
            continue;
        if (!t) {
            tell_of_it(p, (int)i, k, wall_ms);
        } else if (t->told > 0) {
            t->why = WHY_CHANGED;
            t->due_wall_ms = wall_ms + PEOPLE_GATHER_MS;
        }
    }
}

static void take_over(struct people *p, struct known *k, int64_t wall_ms)
{
    k->news.over_wall_ms = wall_ms;
    drop_tellings(p, k, WHICH_UNTOLD_ESCALATION);
    for (struct telling *t = p->tellings; t; t = t->next)
        if (t->about == k && t->told > 0) {
            t->why = WHY_OVER;
            t->due_wall_ms = wall_ms + PEOPLE_GATHER_MS;
        }
}

/* Told again only when it is over; but who was told because nobody saw to it hears that
 * somebody does, before they set out. */
static void take_acknowledged(struct people *p, struct known *k, const struct event *e)
{
    text_copy(k->news.by, sizeof k->news.by, e->alarm.by ? e->alarm.by : "");
    drop_tellings(p, k, WHICH_UNTOLD);
    for (struct telling *t = p->tellings; t; t = t->next) {
        const struct delivery_person *d = &p->delivery->people[t->person];
        bool relieved = t->told > 0 && d->after_minutes > 0 && strcmp(d->name, k->news.by) != 0;
        if (t->about != k)
            continue;
        t->due_wall_ms = relieved ? e->wall_ms + PEOPLE_GATHER_MS : PEOPLE_NEVER;
        t->why = relieved ? WHY_ANSWERED : t->why;
    }
}

static void take_alarm(struct people *p, const struct event *e)
{
    struct known *k = people_find_known(p, e->alarm.id);
    p->changed = true;
    if (k)
        k->news.state = e->alarm.state;
    if (k && e->alarm.changed != ALARM_CHANGED_STATE) {
        take_words(p, e, &k->news);
        if (e->alarm.changed == ALARM_ADVICE_CHANGED)
            take_advice(p, k, e->wall_ms);
        return;
    }
    switch (e->alarm.state) {
    case ALARM_UNACKNOWLEDGED: take_raised(p, e); break;
    case ALARM_ACKNOWLEDGED:
        if (k)
            take_acknowledged(p, k, e);
        break;
    case ALARM_RETURNED_UNACKNOWLEDGED:
    case ALARM_NORMAL:
        if (k && e->alarm.taken_by && e->alarm.taken_by[0])
            drop_tellings(p, k, WHICH_ALL); /* the other one is told */
        else if (k && k->news.over_wall_ms == 0)
            take_over(p, k, e->wall_ms);
        break;
    case ALARM_SHELVED:
    case ALARM_SUPPRESSED:
    case ALARM_OUT_OF_SERVICE:
        if (k)
            drop_tellings(p, k, WHICH_ALL);
        break;
    }
    forget_done(p);
}

void people_event(struct people *p, const struct event *e)
{
    switch (e->type) {
    case EVENT_ALARM: take_alarm(p, e); return;
    case EVENT_TRIP:
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF:
    case EVENT_RESTORED:
    case EVENT_OPENED_AGAIN:
    case EVENT_TRIP_CORRECTED:
    case EVENT_SITE_DAY:
    case EVENT_ABSENCE:
    case EVENT_CALL:
    case EVENT_BREAKER_REPLACED:
    case EVENT_TRIP_NOTE: return;
    }
}

/* ---- letters ---- */

void people_post(struct people *p, int person, json_t *letter, int64_t wall_ms,
                 int64_t lives_ms)
{
    const struct delivery_person *d = &p->delivery->people[person];
    char topic[sizeof "webhook/" + SITE_ID_SIZE];
    char *payload = letter ? letter_dump(letter) : NULL;
    json_decref(letter);
    if (!payload)
        return; /* memory is short: it stays due */
    for (int way = 0; way < 2; way++) {
        if (way == 0 ? !d->mail[0] : !d->webhook[0])
            continue;
        snprintf(topic, sizeof topic, "%s/%s", way == 0 ? "mail" : "webhook", d->id);
        store_add_message(p->store,
                          &(struct store_message){.route = STORE_ROUTE_LETTER,
                                                  .topic = topic,
                                                  .payload = payload,
                                                  .expires_wall_ms = wall_ms + lives_ms});
    }
    free(payload);
    struct reader *r = &p->readers[person];
    r->sent_wall_ms[r->sent_at++ % PEOPLE_FLOOD_LETTERS] = wall_ms;
    p->letters++;
    p->changed = true;
}

static bool flooded(const struct reader *r, int64_t wall_ms)
{
    /* the oldest of the ring is the one that is overwritten next */
    int64_t oldest = r->sent_wall_ms[r->sent_at % PEOPLE_FLOOD_LETTERS];
    return oldest > 0 && oldest <= wall_ms && wall_ms - oldest < PEOPLE_FLOOD_MS;
}

static bool quiet(const struct delivery_person *d, int minute)
{
    if (d->quiet_from == DELIVERY_NO_MINUTE)
        return false;
    return d->quiet_from < d->quiet_to ? minute >= d->quiet_from && minute < d->quiet_to
                                       : minute >= d->quiet_from || minute < d->quiet_to;
}

/* after it was told */
static void put_off(const struct people *p, struct telling *t, int64_t wall_ms)
{
    int repeat = p->delivery->people[t->person].repeat_minutes;
    t->told++;
    bool again = repeat > 0 && t->told <= REPEATS_MOST && !news_is_alert(&t->about->news) &&
                 t->about->news.state == ALARM_UNACKNOWLEDGED && !t->about->news.over_wall_ms;
    t->due_wall_ms = again ? wall_ms + repeat * MINUTE_MS : PEOPLE_NEVER;
    t->why = WHY_AGAIN;
}

static size_t gather(struct people *p, int person, int64_t wall_ms, bool urgent_only,
                     struct telling *due[LETTER_ITEMS])
{
    size_t count = 0;
    for (struct telling *t = p->tellings; t && count < LETTER_ITEMS; t = t->next)
        if (t->person == person && t->due_wall_ms <= wall_ms &&
            (!urgent_only || t->about->news.priority == PRIORITY_URGENT))
            due[count++] = t;
    return count;
}

static bool asks_nothing(const struct telling *t)
{
    return t->why == WHY_OVER || t->why == WHY_ANSWERED;
}

static const struct telling *weightiest(struct telling *const *due, size_t count)
{
    const struct telling *best = due[0];
    for (size_t i = 1; i < count; i++) {
        bool over = asks_nothing(due[i]), best_over = asks_nothing(best);
        if (over != best_over ? best_over
                              : due[i]->about->news.priority < best->about->news.priority)
            best = due[i];
    }
    return best;
}

/* one of them in the letter; of one that nobody answers, with who else was told */
static void tell_one(const struct people *p, const struct wording *w, const struct telling *t,
                     json_t *letter)
{
    struct text who = TEXT_INIT;
    enum delivery_role role = (enum delivery_role)p->delivery->people[t->person].role;
    for (const struct telling *o = p->tellings; o && t->why == WHY_UNANSWERED; o = o->next)
        if (o->about == t->about && o->told > 0)
            text_printf(&who, "%s%s", who.length ? ", " : "",
                        p->delivery->people[o->person].name);
    wording_tell(w, &t->about->news, t->why, text_get(&who), role_may(role, ACT_CORRECT),
                 letter);
    text_free(&who);
}

static json_t *compose(const struct people *p, int person, struct telling *const *due,
                       size_t count, int64_t wall_ms, int32_t utc_offset_seconds)
{
    const struct delivery_person *d = &p->delivery->people[person];
    const struct telling *first = weightiest(due, count);
    const struct news *n = &first->about->news;
    struct wording w;
    struct text subject = TEXT_INIT;
    wording_init(&w, p->phrases, d->language, p->site, utc_offset_seconds);
    wording_subject(&w, n, first->why, count - 1, &subject);
    json_t *letter =
        letter_create(p->site->id, d->id, w.language->code, alarm_priority_name(n->priority),
                      wall_ms, text_get(&subject));
    text_free(&subject);
    if (!letter)
        return NULL;
    letter_set_thread(letter, n->thread);
    tell_one(p, &w, first, letter);
    for (size_t i = 0; i < count; i++)
        if (due[i] != first)
            tell_one(p, &w, due[i], letter);
    letter_add(letter, LETTER_SMALL, wording_phrase(&w, PHRASE_CAUTION));
    return letter;
}

static void drop_ended(struct people *p)
{
    for (struct telling **at = &p->tellings; *at;) {
        struct telling *t = *at;
        if (t->told > 0 && t->due_wall_ms == PEOPLE_NEVER && t->about->news.over_wall_ms) {
            *at = t->next;
            free(t);
        } else {
            at = &t->next;
        }
    }
    forget_done(p);
}

static void tell(struct people *p, int person, int64_t wall_ms, int32_t utc_offset_seconds)
{
    const struct delivery_person *d = &p->delivery->people[person];
    struct telling *due[LETTER_ITEMS];
    int minute = (int)((wall_ms / 1000 + utc_offset_seconds) / 60 % DAY_MINUTES);
    bool urgent_only = quiet(d, minute) || flooded(&p->readers[person], wall_ms);
    size_t count = gather(p, person, wall_ms, urgent_only, due);
    if (count == 0)
        return;
    bool pressing = weightiest(due, count)->about->news.priority <= PRIORITY_HIGH;
    people_post(p, person, compose(p, person, due, count, wall_ms, utc_offset_seconds), wall_ms,
                (pressing ? 48 : 24) * HOUR_MS);
    for (size_t i = 0; i < count; i++)
        put_off(p, due[i], wall_ms);
    drop_ended(p);
}

/* ---- the clock ---- */

/* The clock was set back: what was to be told in an hour is told in an hour. */
static void follow_clock(struct people *p, int64_t wall_ms)
{
    int64_t back = p->ticked_wall_ms - wall_ms;
    for (struct telling *t = p->tellings; t && back > CLOCK_BACK_MS; t = t->next)
        if (t->due_wall_ms != PEOPLE_NEVER)
            t->due_wall_ms -= back;
    p->ticked_wall_ms = wall_ms;
}

bool people_tick(struct people *p, int64_t wall_ms, int32_t utc_offset_seconds)
{
    follow_clock(p, wall_ms);
    for (size_t i = 0; i < p->delivery->person_count; i++) {
        tell(p, (int)i, wall_ms, utc_offset_seconds);
        people_summary_tick(p, (int)i, wall_ms, utc_offset_seconds);
    }
    bool changed = p->changed;
    p->changed = false;
    return changed;
}

char *people_trial(const struct delivery_person *person, const struct phrases *phrases,
                   const struct site *site, int64_t wall_ms)
{
    struct wording w;
    struct text subject = TEXT_INIT, body = TEXT_INIT;
    wording_init(&w, phrases, person->language, site, 0);
    wording_heading(&w, PHRASE_TEST, &subject);
    wording_fill(&w, PHRASE_TEST_TEXT, 0, 0, 0, &body);
    json_t *letter = letter_create(site->id, person->id, w.language->code, "low", wall_ms,
                                   text_get(&subject));
    char *dumped = NULL;
    if (letter) {
        letter_add(letter, LETTER_WHAT, text_get(&body));
        letter_add(letter, LETTER_SMALL, wording_phrase(&w, PHRASE_CAUTION));
        dumped = letter_dump(letter);
    }
    json_decref(letter);
    text_free(&subject);
    text_free(&body);
    return dumped;
}
