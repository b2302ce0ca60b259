/* The record against a plain table, in one run: events a second that are durable one by one,
 * and what a day of readings of 42 circuits costs in bytes on the disk and bytes written to it.
 *
 * Bytes written are those of this process by /proc/self/io (what was handed to the disk's
 * layer, the log and its checkpoints included). The day is cut to SECONDS and scaled up.
 * Readings are made up: half of the circuits stand still, a quarter has noise in the last
 * digit, a quarter runs loads; amps, watts and volts of every circuit, and the panel's volts.
 */
#include "model/event_json.h"
#include "store/store.h"

#include "base/clock.h"

#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define CIRCUITS 42
#define SECONDS 7200
#define PLAIN_SECONDS 1200
#define EVENTS 2000
#define DAY 86400.0

static void fail(const char *what)
{
    fprintf(stderr, "%s\n", what);
    exit(1);
}

static void run(sqlite3 *db, const char *sql)
{
    char *why = NULL;
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK)
        fail(why);
}

static double written_bytes(void)
{
    char line[128];
    double bytes = NAN;
    FILE *f = fopen("/proc/self/io", "r");
    while (f && fgets(line, sizeof line, f))
        sscanf(line, "wchar: %lf", &bytes);
    if (f)
        fclose(f);
    return bytes;
}

static double file_bytes(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 ? (double)st.st_size : NAN;
}

static void fill_site(struct site *s)
{
    site_init(s);
    strcpy(s->id, "bench");
    strcpy(site_add_panel(s)->id, "main");
    for (int i = 0; i < CIRCUITS; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        c->panel = 0;
        c->poles = 1;
    }
    site_finish(s);
}

static uint64_t random_state = 1;

static double noise(void) /* -1 to 1; splitmix64, public domain (Vigna) */
{
    uint64_t z = (random_state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return (double)(z >> 11) / 4503599627370496.0 - 1.0;
}

static void fill_frame(struct frame *f, int64_t second)
{
    f->mono_ms = 1000 + second * 1000;
    f->wall_ms = 1767225600000 + second * 1000;
    f->has = 1U << FRAME_AMPS | 1U << FRAME_WATTS | 1U << FRAME_VOLTS | 1U << FRAME_PANEL_VOLTS;
    double volts = 120.0 + floor(10.0 * noise()) / 100.0;
    for (size_t p = 0; p < CIRCUITS; p++) {
        double amps = 0.12 + 0.05 * (double)p;
        if (p % 4 == 1)
            amps += 0.003 * noise();
        if (p % 4 == 3)
            amps += second / (60 * (int64_t)(1 + p)) % 2 ? 8.0 + 0.02 * noise() : 0.0;
        f->values[frame_index(f, FRAME_AMPS, p)] = (float)amps;
        f->values[frame_index(f, FRAME_WATTS, p)] = (float)(amps * volts);
        f->values[frame_index(f, FRAME_VOLTS, p)] = (float)volts;
    }
    for (size_t leg = 0; leg < 2; leg++)
        f->values[frame_panel_index(f, 0, leg)] = (float)volts;
}

#define VALUES_A_SECOND (3 * CIRCUITS + 2)

static struct store *open_store(const char *path, const struct site *site)
{
    enum store_err err;
    struct store *s = store_open(&(struct store_options){.path = path}, 1767225600000, &err);
    if (!s || err)
        fail("the record cannot be opened");
    store_set_site(s, site);
    return s;
}

static double bench_events(const char *path, const struct site *site)
{
    struct store *s = open_store(path, site);
    struct event e = {.type = EVENT_LOAD_ON, .wall_ms = 1767225600000, .panel = 0};
    strcpy(e.load.appliance, "unknown");
    int64_t begin = clock_mono_us();
    for (int i = 0; i < EVENTS; i++) {
        e.circuit = i % CIRCUITS;
        char *json = event_to_json_text(site, &e);
        store_add_event(s, site, &e, json);
        store_add_message(s, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                     .topic = "foretrip/bench/event",
                                                     .payload = json,
                                                     .qos = 1,
                                                     .with_seq = true});
        free(json);
        if (store_commit(s, i, 1767225600000) != STORE_OK)
            fail("an event was not written");
    }
    double seconds = (double)(clock_mono_us() - begin) / 1e6;
    store_close(s);
    return EVENTS / seconds;
}

static sqlite3 *open_plain(const char *path, const char *tables)
{
    sqlite3 *db = NULL;
    if (sqlite3_open(path, &db) != SQLITE_OK)
        fail("the plain table cannot be opened");
    run(db, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL");
    run(db, tables);
    return db;
}

/* the least that is durable: one row of the same length, one transaction */
static double bench_plain_events(const char *path)
{
    sqlite3 *db = open_plain(path, "CREATE TABLE e (seq INTEGER PRIMARY KEY, json TEXT)");
    sqlite3_stmt *st = NULL;
    char json[200];
    memset(json, 'x', sizeof json);
    if (sqlite3_prepare_v2(db, "INSERT INTO e (json) VALUES (?1)", -1, &st, NULL) != SQLITE_OK)
        fail(sqlite3_errmsg(db));
    int64_t begin = clock_mono_us();
    for (int i = 0; i < EVENTS; i++) {
        sqlite3_bind_text(st, 1, json, (int)sizeof json, SQLITE_STATIC);
        if (sqlite3_step(st) != SQLITE_DONE || sqlite3_reset(st) != SQLITE_OK)
            fail(sqlite3_errmsg(db));
    }
    double seconds = (double)(clock_mono_us() - begin) / 1e6;
    sqlite3_finalize(st);
    sqlite3_close(db);
    return EVENTS / seconds;
}

struct day {
    double file, written, cpu_ms; /* bytes, bytes, of a whole day */
};

static double cpu_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec / 1e6;
}

static struct day scaled(const char *path, double written, double cpu, int seconds)
{
    return (struct day){.file = file_bytes(path) * DAY / seconds,
                        .written = (written_bytes() - written) * DAY / seconds,
                        .cpu_ms = (cpu_ms() - cpu) * DAY / seconds};
}

static struct day bench_readings(const char *path, const struct site *site, struct frame *f)
{
    struct store *s = open_store(path, site);
    double written = written_bytes(), cpu = cpu_ms();
    for (int i = 0; i < SECONDS; i++) {
        fill_frame(f, i);
        store_add_readings(s, f);
        if (store_commit(s, f->mono_ms, f->wall_ms) != STORE_OK)
            fail("readings were not written");
    }
    store_close(s);
    return scaled(path, written, cpu, SECONDS);
}

static struct day bench_plain_readings(const char *path, struct frame *f)
{
    sqlite3 *db = open_plain(path, "CREATE TABLE r (t INTEGER, channel INTEGER, value REAL)");
    sqlite3_stmt *st = NULL;
    if (sqlite3_prepare_v2(db, "INSERT INTO r VALUES (?1, ?2, ?3)", -1, &st, NULL) != SQLITE_OK)
        fail(sqlite3_errmsg(db));
    double written = written_bytes(), cpu = cpu_ms();
    for (int i = 0; i < PLAIN_SECONDS; i++) {
        fill_frame(f, i);
        run(db, "BEGIN");
        for (size_t v = 0; v < f->count; v++) {
            if (isnan(f->values[v]))
                continue;
            sqlite3_bind_int64(st, 1, f->wall_ms);
            sqlite3_bind_int64(st, 2, (int64_t)v);
            sqlite3_bind_double(st, 3, (double)f->values[v]);
            if (sqlite3_step(st) != SQLITE_DONE || sqlite3_reset(st) != SQLITE_OK)
                fail(sqlite3_errmsg(db));
        }
        run(db, "COMMIT");
    }
    sqlite3_finalize(st);
    sqlite3_close(db);
    return scaled(path, written, cpu, PLAIN_SECONDS);
}

static void say(const char *what, const struct day *d)
{
    printf("%-34s %8.1f MB a day, %5.2f bytes a reading, %9.1f MB written a day, %6.1f s CPU a "
           "day\n",
           what, d->file / 1e6, d->file / DAY / VALUES_A_SECOND, d->written / 1e6,
           d->cpu_ms / 1e3);
}

int main(void)
{
    char folder[] = "/tmp/foretrip-bench-XXXXXX", path[4][64], command[64];
    if (!mkdtemp(folder))
        fail("no folder for the bench");
    for (int i = 0; i < 4; i++)
        snprintf(path[i], sizeof path[i], "%s/%d.db", folder, i);
    struct site site;
    fill_site(&site);
    struct frame *f = frame_create(&site);
    if (!f)
        fail("memory is short");
    double plain = bench_plain_events(path[0]), ours = bench_events(path[1], &site);
    printf("%-34s %8.0f events/s\n", "one bare row a transaction", plain);
    printf("%-34s %8.0f events/s (%.2f of it): event, indexes and its message\n",
           "the record, one event a turn", ours, ours / plain);
    struct day rows = bench_plain_readings(path[2], f),
               blocks = bench_readings(path[3], &site, f);
    say("a row a reading, one commit a second", &rows);
    say("the record", &blocks);
    printf("the record is %.1f times smaller and writes %.0f times less\n",
           rows.file / blocks.file, rows.written / blocks.written);
    frame_destroy(f);
    site_free(&site);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    return system(command) == 0 ? 0 : 1;
}
