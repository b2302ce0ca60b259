#include "filer.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <assert.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define RETRY_FIRST_MS 250
#define RETRY_MOST_MS 10000
#define AGAIN_MOST 8
#define TEND_EVERY_MS 1000
#define PATIENCE_MS 300000 /* a table that has grown large, a disk that is slow */
#define TEND_SHARE 20      /* of the time, one part at the most */

struct gap {
    char site[SITE_ID_SIZE];
    int64_t after, to;
};

struct filer {
    pthread_t thread;
    struct pulse pulse;
    pthread_mutex_t lock; /* of what follows */
    pthread_cond_t told;  /* the thread: there is a pile, or it is to end */
    pthread_cond_t tells; /* the giver: a pile is done, or the store is away */
    struct pile *pile;
    bool done; /* the pile can be taken back */
    bool stop, line_up;
    struct gap gaps[FILER_GAPS];
    size_t gap_count;
    struct filer_counts counts;

    /* the thread's own */
    struct ledger_options options;
    struct ledger *ledger; /* NULL: the store is away */
    int64_t retry_mono_ms; /* it is tried again */
    int retry_ms;          /* 0: it is there */
    int64_t tend_mono_ms;  /* when next */
    int64_t start_wall_ms;
    bool refusal_said;
    struct gap found[FILER_GAPS];
    size_t found_count;
};

void pile_clear(struct pile *b)
{
    for (size_t i = 0; i < b->count; i++)
        if (b->items[i].parcel) {
            parcel_free(b->items[i].parcel);
            free(b->items[i].parcel);
        }
    b->count = b->records = 0;
}

/* ---- the store ---- */

static void tell_store(struct filer *f, bool up)
{
    pthread_mutex_lock(&f->lock);
    f->counts.store_up = up;
    pthread_cond_signal(&f->tells);
    pthread_mutex_unlock(&f->lock);
}

static void lose_store(struct filer *f, const char *why)
{
    if (f->retry_ms == 0)
        log_error("fleet", "the store cannot be written: %s; it is tried again", why);
    f->retry_ms = f->retry_ms == 0                  ? RETRY_FIRST_MS
                  : 2 * f->retry_ms < RETRY_MOST_MS ? 2 * f->retry_ms
                                                    : RETRY_MOST_MS;
    f->retry_mono_ms = clock_mono_ms() + f->retry_ms;
    ledger_close(f->ledger);
    f->ledger = NULL;
    tell_store(f, false);
}

static bool have_store(struct filer *f)
{
    char why[SQL_WHY_SIZE];
    if (f->ledger)
        return true;
    if (clock_mono_ms() < f->retry_mono_ms)
        return false;
    f->ledger = ledger_open(&f->options, why);
    if (!f->ledger) {
        lose_store(f, why);
        return false;
    }
    if (f->retry_ms != 0)
        log_info("fleet", "the store is there again");
    f->retry_ms = 0;
    tell_store(f, true);
    return true;
}

/* ---- a pile ---- */

static enum sql_err file(struct filer *f, const struct pile_item *from, size_t count,
                         struct ledger_taken *taken)
{
    struct ledger_item *items = calloc(count, sizeof *items);
    enum sql_err err = items ? SQL_ERR_AGAIN : SQL_ERR_MEMORY;
    for (size_t i = 0; items && i < count; i++)
        items[i] = (struct ledger_item){
            .site = from[i].site, .parcel = from[i].parcel, .online = from[i].online};
    for (int tries = 0; err == SQL_ERR_AGAIN && tries < AGAIN_MOST; tries++)
        err = ledger_take(f->ledger, items, count, clock_wall_ms(), taken);
    free(items);
    return err;
}

static void refuse(struct filer *f, const char *site, const char *why)
{
    if (!f->refusal_said)
        log_warning("fleet", "what %s sent cannot be filed: %s; others are counted", site, why);
    f->refusal_said = true;
}

/* The store refuses something for good: each by itself, so that the others get in. */
static enum sql_err file_singly(struct filer *f, const struct pile *b,
                                struct ledger_taken *taken, uint64_t *refused)
{
    for (size_t i = 0; i < b->count; i++) {
        enum sql_err err = file(f, &b->items[i], 1, taken);
        if (err == SQL_ERR_FAULT) {
            refuse(f, b->items[i].site, ledger_why(f->ledger));
            ++*refused;
        } else if (err != SQL_FINE) {
            return err; /* those that are in are passed over next time */
        }
    }
    return SQL_FINE;
}

/* how old the records are that are in the store now; those from before we came, and those sent
 * again, tell nothing of our own delay */
static void note_ages(const struct filer *f, const struct pile *b, struct ages *ages)
{
    int64_t now_ms = clock_wall_ms();
    for (size_t i = 0; i < b->count; i++) {
        const struct parcel *p = b->items[i].parcel;
        for (size_t k = 0; p && !p->again && k < p->count; k++)
            if (p->records[k].wall_ms >= f->start_wall_ms)
                ages_add(ages, now_ms - p->records[k].wall_ms);
    }
}

static void add_taken(struct ledger_taken *sum, const struct ledger_taken *t)
{
    sum->records += t->records;
    sum->repeated += t->repeated;
    sum->unknown += t->unknown;
    sum->gaps += t->gaps;
}

/* True when all of it is seen to. */
static bool file_pile(struct filer *f, const struct pile *b)
{
    struct ledger_taken taken = {0};
    uint64_t refused = 0;
    enum sql_err err = file(f, b->items, b->count, &taken);
    if (err == SQL_ERR_FAULT)
        err = file_singly(f, b, &taken, &refused);
    pthread_mutex_lock(&f->lock);
    add_taken(&f->counts.taken, &taken);
    f->counts.refused += refused;
    f->counts.transactions += err == SQL_FINE;
    if (err == SQL_FINE)
        note_ages(f, b, &f->counts.ages);
    pthread_mutex_unlock(&f->lock);
    if (err != SQL_FINE)
        lose_store(f, ledger_why(f->ledger));
    return err == SQL_FINE;
}

/* ---- what stands ---- */

static void keep_gap(void *context, const char *site, int64_t after, int64_t to)
{
    struct filer *f = context;
    struct gap *g = &f->found[f->found_count++]; /* there is room: no more were asked for */
    text_copy(g->site, sizeof g->site, site);
    g->after = after;
    g->to = to;
}

static enum sql_err bring_up_gaps(struct filer *f)
{
    pthread_mutex_lock(&f->lock);
    bool wanted = f->line_up && f->gap_count == 0;
    pthread_mutex_unlock(&f->lock);
    if (!wanted)
        return SQL_FINE;
    f->found_count = 0;
    enum sql_err err = ledger_take_gaps(f->ledger, clock_wall_ms(), FILER_GAPS, keep_gap, f);
    pthread_mutex_lock(&f->lock);
    f->gap_count = err == SQL_FINE ? f->found_count : 0;
    memcpy(f->gaps, f->found, f->gap_count * sizeof f->gaps[0]);
    pthread_mutex_unlock(&f->lock);
    return err;
}

static void tend(struct filer *f)
{
    int64_t now = clock_mono_ms();
    if (now < f->tend_mono_ms)
        return;
    enum sql_err err = ledger_tend(f->ledger, clock_wall_ms());
    if (err == SQL_FINE)
        err = bring_up_gaps(f);
    /* where much stands this takes its time: filing goes first */
    int64_t took_ms = clock_mono_ms() - now;
    f->tend_mono_ms =
        now + (TEND_SHARE * took_ms > TEND_EVERY_MS ? TEND_SHARE * took_ms : TEND_EVERY_MS);
    if (err != SQL_FINE && err != SQL_ERR_AGAIN)
        lose_store(f, ledger_why(f->ledger));
}

/* ---- the thread ---- */

/* of clock_mono_ms; a condition cannot wait by that clock, which counts suspended time too */
static struct timespec at_mono_ms(int64_t ms)
{
    struct timespec t;
    int64_t left = ms - clock_mono_ms();
    clock_gettime(CLOCK_MONOTONIC, &t);
    left = (left > 0 ? left : 0) + t.tv_nsec / 1000000;
    t.tv_sec += left / 1000;
    t.tv_nsec = left % 1000 * 1000000;
    return t;
}

/* The pile to be filed; NULL: none, and it is time to tend, to look for the store or to end.
 */
static struct pile *wait_for_pile(struct filer *f, bool *stop)
{
    bool away = f->ledger == NULL; /* then a pile is no reason to hurry */
    struct timespec until = at_mono_ms(away ? f->retry_mono_ms : f->tend_mono_ms);
    int rc = 0;
    pthread_mutex_lock(&f->lock);
    while (rc == 0 && !f->stop && (away || !f->pile || f->done))
        rc = pthread_cond_timedwait(&f->told, &f->lock, &until);
    struct pile *b = f->done ? NULL : f->pile;
    *stop = f->stop;
    pthread_mutex_unlock(&f->lock);
    return b;
}

static void say_done(struct filer *f)
{
    pthread_mutex_lock(&f->lock);
    f->done = true;
    pthread_cond_signal(&f->tells);
    pthread_mutex_unlock(&f->lock);
}

static void *run(void *context)
{
    struct filer *f = context;
    bool stop = false;
    pulse_begin_thread(&f->pulse);
    have_store(f);
    while (!stop) {
        pulse_beat(&f->pulse);
        struct pile *b = wait_for_pile(f, &stop);
        if (have_store(f) && b && file_pile(f, b))
            say_done(f);
        if (f->ledger && !stop)
            tend(f);
    }
    ledger_close(f->ledger);
    pulse_end(&f->pulse);
    return NULL;
}

/* ---- the giver's side ---- */

struct filer *filer_create(const struct ledger_options *o)
{
    struct filer *f = calloc(1, sizeof *f);
    pthread_condattr_t mono;
    if (!f)
        return NULL;
    f->options = *o;
    f->start_wall_ms = clock_wall_ms();
    pulse_init(&f->pulse, "filer", PATIENCE_MS);
    pthread_mutex_init(&f->lock, NULL);
    pthread_condattr_init(&mono);
    pthread_condattr_setclock(&mono, CLOCK_MONOTONIC);
    pthread_cond_init(&f->told, &mono);
    pthread_cond_init(&f->tells, &mono);
    pthread_condattr_destroy(&mono);
    if (pthread_create(&f->thread, NULL, run, f) == 0)
        return f;
    free(f);
    return NULL;
}

void filer_destroy(struct filer *f)
{
    if (!f)
        return;
    pthread_mutex_lock(&f->lock);
    f->stop = true;
    pthread_cond_signal(&f->told);
    pthread_mutex_unlock(&f->lock);
    pthread_join(f->thread, NULL);
    pthread_cond_destroy(&f->tells);
    pthread_cond_destroy(&f->told);
    pthread_mutex_destroy(&f->lock);
    free(f);
}

bool filer_give(struct filer *f, struct pile *b)
{
    assert(b->count > 0);
    pthread_mutex_lock(&f->lock);
    bool idle = f->pile == NULL;
    if (idle) {
        f->pile = b;
        pthread_cond_signal(&f->told);
    }
    pthread_mutex_unlock(&f->lock);
    return idle;
}

struct pile *filer_take_back(struct filer *f)
{
    pthread_mutex_lock(&f->lock);
    struct pile *b = f->done ? f->pile : NULL;
    if (b) {
        f->pile = NULL;
        f->done = false;
    }
    pthread_mutex_unlock(&f->lock);
    return b;
}

void filer_wait(struct filer *f, int timeout_ms)
{
    struct timespec until = at_mono_ms(clock_mono_ms() + timeout_ms);
    int rc = 0;
    pthread_mutex_lock(&f->lock);
    while (rc == 0 && f->pile && !f->done && f->counts.store_up)
        rc = pthread_cond_timedwait(&f->tells, &f->lock, &until);
    pthread_mutex_unlock(&f->lock);
}

void filer_note_line(struct filer *f, bool up)
{
    pthread_mutex_lock(&f->lock);
    f->line_up = up;
    pthread_mutex_unlock(&f->lock);
}

void filer_take_gaps(struct filer *f, ledger_gap_fn *fn, void *context)
{
    struct gap gaps[FILER_GAPS];
    pthread_mutex_lock(&f->lock);
    size_t count = f->gap_count;
    memcpy(gaps, f->gaps, count * sizeof gaps[0]);
    f->gap_count = 0;
    pthread_mutex_unlock(&f->lock);
    for (size_t i = 0; i < count; i++)
        fn(context, gaps[i].site, gaps[i].after, gaps[i].to);
}

const struct pulse *filer_pulse(const struct filer *f)
{
    return &f->pulse;
}

bool filer_store_up(struct filer *f)
{
    pthread_mutex_lock(&f->lock);
    bool up = f->counts.store_up;
    pthread_mutex_unlock(&f->lock);
    return up;
}

void filer_get_counts(struct filer *f, struct filer_counts *out)
{
    pthread_mutex_lock(&f->lock);
    *out = f->counts;
    pthread_mutex_unlock(&f->lock);
}
