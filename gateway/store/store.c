#include "store.h"

#include "reserve.h"
#include "store_parts.h"
#include "transaction.h"

#include "base/clock.h"
#include "base/heap.h"
#include "base/log.h"
#include "base/text.h"

#include <errno.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define RETRY_MS 1000 /* between tries while the disk refuses, twice as long each time ... */
#define RETRY_MOST_MS 10000                /* ... up to this: a try writes all that waits */
#define RETRY_OPEN_MS 5000                 /* while there is no database to write to */
#define SEAL_MS (STORE_READINGS_MS - 1000) /* leaves a second for the commit itself */
#define SETTLE_MS 30000 /* delivered rows go with other writes, alone only after this time */
#define DAY_MS 86400000.0
#define PAGES_A_MB 256.0
#define PAGE_BYTES 4096
#define POOL_PAGES 136 /* the writer's 256 KiB (database.c) and some for each reader */

/* ---- opening ---- */

static enum store_err read_ends(struct store *s)
{
    int64_t seq = 0, message = 0;
    enum store_err err = database_number(
        &s->database, "SELECT seq FROM sqlite_sequence WHERE name = 'events'", 0, &seq);
    if (!err)
        err = database_number(
            &s->database, "SELECT seq FROM sqlite_sequence WHERE name = 'outbox'", 0, &message);
    if (!err)
        err = database_number(&s->database, "SELECT count(*) FROM outbox", 0, &s->outbox_rows);
    if (err)
        return err;
    atomic_store(&s->newest[STORE_ROUTE_UP], seq);
    atomic_store(&s->newest[STORE_ROUTE_MQTT], message);
    atomic_store(&s->newest[STORE_ROUTE_LETTER], message);
    return STORE_OK;
}

static enum store_err open_database(struct store *s)
{
    enum store_err err =
        database_open(&s->database, s->path, s->first_seq, s->options.pages_most, s->why);
    if (!err && (err = read_ends(s)) != STORE_OK) {
        snprintf(s->why, sizeof s->why, "%s: reading the record's ends: %s", s->path,
                 store_strerror(err));
        database_close(&s->database);
    }
    return err;
}

/* renames what is there and begins a new one */
static enum store_err replace(struct store *s, enum store_err reason)
{
    char name[4096];
    bool damaged = reason == STORE_ERR_DAMAGED;
    database_close(&s->database);
    log_error("store", "%s", s->why);
    if (!database_set_aside(s->path, damaged ? "damaged" : "read-only", s->wall_ms, name,
                            sizeof name)) {
        snprintf(s->why, sizeof s->why, "%s: the %s record cannot be set aside: %s", s->path,
                 damaged ? "damaged" : "read-only", strerror(errno));
        return STORE_ERR_READ_ONLY;
    }
    s->counted.set_aside++;
    log_error("store", "the %s record is kept as %s; a new one begins",
              damaged ? "damaged" : "read-only", name);
    /* the clock may have gone back: the numbers do not */
    s->first_seq = s->wall_ms > s->first_seq ? s->wall_ms : s->first_seq;
    for (int r = 1; r < STORE_ROUTES; r++) {
        int64_t newest = atomic_load(&s->newest[r]);
        s->first_seq = s->first_seq > newest ? s->first_seq : newest + 1;
    }
    return open_database(s);
}

/* A file that may not be written where others may: somebody has protected it, or it belongs to
 * another user. When the whole disk cannot be written there is nowhere to put a new one. */
static bool stands_in_the_way(const struct store *s)
{
    char folder[4096];
    snprintf(folder, sizeof folder, "%s", s->path);
    char *slash = strrchr(folder, '/');
    if (slash)
        slash[slash == folder] = '\0';
    return eaccess(s->path, F_OK) == 0 && eaccess(s->path, R_OK | W_OK) != 0 &&
           eaccess(slash ? folder : ".", W_OK | X_OK) == 0;
}

static bool release_reserve(const struct store *s)
{
    if (!s->options.reserve || !reserve_release(s->path))
        return false;
    log_warning("store", "the disk is full: the room held in reserve is used");
    return true;
}

/* No room is an error of many names while the database is being opened: its log and the memory
 * it shares with readers are files too. */
static bool may_be_full(const struct store *s, enum store_err err)
{
    struct statvfs v;
    return err && err != STORE_ERR_DAMAGED && err != STORE_ERR_NEWER &&
           statvfs(s->path, &v) == 0 &&
           (uint64_t)v.f_bavail * v.f_frsize < (uint64_t)RESERVE_BYTES;
}

static enum store_err ensure_open(struct store *s)
{
    if (s->database.db)
        return STORE_OK;
    enum store_err err = open_database(s);
    if (may_be_full(s, err) && release_reserve(s))
        err = open_database(s);
    bool refused = err == STORE_ERR_READ_ONLY || err == STORE_ERR_OPEN;
    if (err == STORE_ERR_DAMAGED || (refused && stands_in_the_way(s)))
        return replace(s, err);
    return err;
}

static void note(struct store *s, enum store_err err)
{
    if (err != s->err && err)
        log_error("store", "%s; what comes is kept in memory and written when it can be",
                  s->why);
    if (s->err && !err)
        log_info("store",
                 "writing again; lost meanwhile: %llu frames of readings, %llu records",
                 (unsigned long long)s->counted.lost_readings,
                 (unsigned long long)s->counted.lost_records);
    if (!err)
        s->why[0] = '\0';
    s->err = err;
}

void store_begin(void)
{
    int header = 0;
    if (sqlite3_config(SQLITE_CONFIG_PCACHE_HDRSZ, &header) != SQLITE_OK)
        return;
    void *room = heap_table(POOL_PAGES, (size_t)(PAGE_BYTES + header)); /* SQLite's for good */
    if (!room || sqlite3_config(SQLITE_CONFIG_PAGECACHE, room, PAGE_BYTES + header,
                                POOL_PAGES) != SQLITE_OK)
        free(room); /* all stays as it was */
}

struct store *store_open(const struct store_options *o, int64_t wall_ms, enum store_err *err)
{
    struct store *s = calloc(1, sizeof *s);
    char *path = strdup(o->path);
    if (!s || !path) {
        free(s);
        free(path);
        if (err)
            *err = STORE_ERR_MEMORY;
        return NULL;
    }
    finished_init(&s->finished);
    s->options = *o;
    s->options.path = s->path = path;
    if (s->options.outbox_most <= 0)
        s->options.outbox_most = 200000;
    if (s->options.batch_most_bytes == 0)
        s->options.batch_most_bytes = (size_t)16 * 1024 * 1024;
    s->wall_ms = wall_ms;
    s->first_seq = wall_ms > 0 ? wall_ms : 1;
    note(s, ensure_open(s));
    if (err)
        *err = s->err;
    return s;
}

void store_set_retention(struct store *s, const struct retention *r)
{
    s->options.readings_days = r->readings_days;
    s->options.summaries_days = r->summaries_days;
    s->options.loads_days = r->loads_days;
    s->options.history_pages = (int64_t)(r->size_mb * PAGES_A_MB);
    s->options.floor_bytes = (int64_t)(r->free_mb * 1048576.0);
}

void store_close(struct store *s)
{
    if (!s)
        return;
    s->retry_mono_ms = INT64_MIN;
    store_take_block(s);
    if (store_commit(s, INT64_MAX / 2, s->wall_ms) != STORE_OK && s->batch.count > 0)
        log_error("store", "%zu records could not be written and are lost: %s", s->batch.count,
                  s->why);
    database_close(&s->database);
    batch_clear(&s->batch);
    block_destroy(s->block);
    text_free(&s->columns);
    finished_free(&s->finished);
    free(s->path);
    free(s);
}

/* ---- writing ---- */

static void say_dropped(struct store *s, uint64_t dropped)
{
    s->counted.dropped_messages += dropped;
    if (dropped > 0 && !s->outbox_said)
        log_warning(
            "store",
            "the outbox is full (%lld messages): the oldest of the least worth are dropped",
            (long long)s->options.outbox_most);
    if (dropped > 0)
        s->outbox_said = true;
    else if (s->outbox_rows < s->options.outbox_most / 2)
        s->outbox_said = false;
}

/* Readings that go before their age are said a day at a time. */
static void say_room(struct store *s, const struct keeper_done *kept)
{
    char day[CLOCK_RFC3339_SIZE];
    if (!kept->dropped || kept->dropped_day == s->dropped_day)
        return;
    s->dropped_day = kept->dropped_day;
    s->counted.dropped_days++;
    clock_format_rfc3339(kept->dropped_day * (int64_t)DAY_MS, day);
    log_warning("store", "no more room: the readings of %.10s go, before their age", day);
}

/* Full, or below the floor: until a write has gone well with room to spare. */
static void look_at_room(struct store *s, enum store_err err)
{
    struct statvfs v;
    bool full = err == STORE_ERR_FULL;
    if (s->options.floor_bytes > 0 && statvfs(s->path, &v) == 0)
        full |= (int64_t)((uint64_t)v.f_bavail * v.f_frsize) < s->options.floor_bytes;
    if (full && !s->short_of_room && err != STORE_ERR_FULL) /* that one is said by itself */
        log_error("store",
                  "%s: the disk is filled below its floor: the oldest readings make room for "
                  "what comes",
                  s->path);
    if (!full && s->short_of_room)
        log_info("store", "there is room on the disk again");
    if (!full && (s->short_of_room || !s->reserve_looked) && s->options.reserve)
        reserve_take(s->path, s->options.floor_bytes);
    s->reserve_looked = true;
    s->short_of_room = full;
}

static void take_ends(struct store *s, const struct transaction_ends *ends)
{
    for (int r = 1; r < STORE_ROUTES; r++) {
        s->forgotten[r] = ends->settled[r];
        atomic_store(&s->newest[r], ends->newest[r]);
    }
    s->outbox_rows = ends->outbox_rows;
    s->loads_gone_wall_ms = ends->loads_gone_wall_ms;
    s->trips_gone_wall_ms = ends->trips_gone_wall_ms;
    s->counted.lost_records += ends->refused;
    say_dropped(s, ends->dropped);
    say_room(s, &ends->kept);
}

static int64_t days_ago(const struct store *s, double days)
{
    return days > 0 ? s->wall_ms - (int64_t)(days * DAY_MS) : 0;
}

static enum store_err write_batch(struct store *s)
{
    size_t finished_count;
    int64_t *finished = finished_copy(&s->finished, &finished_count);
    struct transaction_job job = {
        .batch = &s->batch,
        .outbox_most = s->options.outbox_most,
        .room_days = s->short_of_room ? 1 << (s->room_tries < 10 ? s->room_tries : 10) : 0,
        .loads_before_wall_ms = days_ago(s, s->options.loads_days),
        .finished = finished,
        .finished_count = finished_count,
    };
    struct transaction_ends ends = {.outbox_rows = s->outbox_rows,
                                    .loads_gone_wall_ms = s->loads_gone_wall_ms,
                                    .trips_gone_wall_ms = s->trips_gone_wall_ms};
    for (int r = 1; r < STORE_ROUTES; r++) {
        ends.newest[r] = atomic_load(&s->newest[r]);
        ends.settled[r] = s->forgotten[r];
        job.settled[r] = atomic_load(&s->settled[r]);
    }
    int rc = transaction_write(&s->database, &job, &ends);
    free(finished);
    if (rc == SQLITE_OK) {
        finished_forget(&s->finished, finished_count);
        s->room_tries = 0;
        take_ends(s, &ends);
        return STORE_OK;
    }
    enum store_err err = database_err(rc);
    s->room_tries += err == STORE_ERR_FULL;
    database_why(s->database.db, rc, "writing the record", s->path, s->why);
    if (!transaction_undo(&s->database) && err != STORE_ERR_DAMAGED)
        err = STORE_ERR_IO;
    if (err == STORE_ERR_FULL) {
        release_reserve(s);
        /* a log that cannot grow is begun anew, if it can be */
        sqlite3_wal_checkpoint_v2(s->database.db, NULL, SQLITE_CHECKPOINT_RESTART, NULL, NULL);
    }
    if (err == STORE_ERR_IO || err == STORE_ERR_READ_ONLY)
        database_close(&s->database); /* what it holds in memory is not to be trusted either */
    return err;
}

/* The batch is on disk; what goes wrong here waits for the next time, except for damage. */
static enum store_err keep_history(struct store *s)
{
    const struct keeper_job job = {
        .wall_ms = s->wall_ms,
        .readings_before_wall_ms = days_ago(s, s->options.readings_days),
        .summaries_before_wall_ms = days_ago(s, s->options.summaries_days),
        .pages_most = s->options.history_pages,
    };
    struct keeper_done done = {0};
    int rc = transaction_keep(&s->database, &job, &done);
    if (rc == SQLITE_OK) {
        say_room(s, &done);
        s->keep_err = STORE_OK;
        return STORE_OK;
    }
    enum store_err err = database_err(rc);
    database_why(s->database.db, rc, "keeping the history", s->path, s->why);
    if (!transaction_undo(&s->database))
        database_close(&s->database);
    if (err == STORE_ERR_DAMAGED)
        return replace(s, STORE_ERR_DAMAGED);
    if (err != s->keep_err)
        log_error("store", "%s; it is tried again", s->why);
    s->keep_err = err;
    s->short_of_room |= err == STORE_ERR_FULL;
    return STORE_OK;
}

static bool settle_due(struct store *s, int64_t mono_ms)
{
    for (int r = 1; r < STORE_ROUTES; r++)
        if (atomic_load(&s->settled[r]) > s->forgotten[r])
            return mono_ms - s->settle_mono_ms >= SETTLE_MS;
    return false;
}

enum store_err store_commit(struct store *s, int64_t mono_ms, int64_t wall_ms)
{
    s->wall_ms = wall_ms;
    if (s->block && block_rows(s->block) > 0 &&
        mono_ms - block_first_mono_ms(s->block) >= SEAL_MS)
        store_take_block(s);
    if (s->batch.count == 0 && !settle_due(s, mono_ms) && !finished_any(&s->finished))
        return s->err;
    if (s->err && mono_ms < s->retry_mono_ms)
        return s->err;

    enum store_err err = ensure_open(s);
    if (!err)
        err = write_batch(s);
    if (err == STORE_ERR_DAMAGED && s->database.db) {
        err = replace(s, STORE_ERR_DAMAGED);
        if (!err)
            err = write_batch(s);
    }
    if (err && (!s->err || s->failed_mono_ms == 0))
        s->failed_mono_ms = mono_ms;
    look_at_room(s, err);
    note(s, err);
    if (err) {
        s->retry_ms = s->retry_ms < RETRY_MOST_MS / 2 ? 2 * s->retry_ms : RETRY_MOST_MS;
        s->retry_ms = s->retry_ms > 0 ? s->retry_ms : RETRY_MS;
        s->retry_mono_ms = mono_ms + (s->database.db ? s->retry_ms : RETRY_OPEN_MS);
        return err;
    }
    batch_clear(&s->batch);
    s->retry_ms = 0;
    s->settle_mono_ms = mono_ms;
    note(s, keep_history(s));
    if (s->watch)
        s->watch(s->watch_context);
    return s->err;
}
