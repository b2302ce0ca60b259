/*
 * bench_history - what the history costs: bytes, time, and what the card gets to write.
 *
 * Everything in one run, beside the plain table it replaces. Times are the thread's own CPU
 * time where the work is computing, and the clock's where it is reading a disk.
 * FORETRIP_BENCH_DAYS (8) days of 40 circuits are stored (with 365 of them it takes some
 * minutes); of one circuit 365.
 */
#include "trace_days.h"

#include "store/history.h"
#include "store/pack.h"

#include <fcntl.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define START_MS (INT64_C(20454) * 86400000) /* midnight, UTC */
#define DAY_MS INT64_C(86400000)
#define ROUNDS 15
#define CODE_ROUNDS 7
#define BLOCK_HOURS 3600

static double seconds_of(clockid_t clock)
{
    struct timespec t;
    clock_gettime(clock, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

static double cpu(void)
{
    return seconds_of(CLOCK_THREAD_CPUTIME_ID);
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* ---- the code alone ---- */

struct way {
    const char *name;
    size_t length;
    int level;
};

/* readings a second of one core, once through all of the days; bytes: what it came to */
static void run_code(struct packer *p, const struct trace_days *t, const struct way *w,
                     double *encode, double *decode, size_t *bytes)
{
    double encoding = 0.0, decoding = 0.0, readings = (double)t->count * TRACE_DAY_SECONDS;
    struct codec_out out = {0};
    *bytes = 0;
    for (size_t d = 0; d < t->count; d++)
        for (size_t at = 0; at < TRACE_DAY_SECONDS; at += w->length) {
            const int32_t *back;
            size_t n;
            out.length = 0;
            double begun = cpu();
            pack_encode(p, t->days[d] + at, w->length, w->level, &out);
            double between = cpu();
            bool good = pack_decode(p, out.bytes, out.length, &back, &n);
            decoding += cpu() - between;
            encoding += between - begun;
            if (!good || memcmp(back, t->days[d] + at, n * sizeof *back) != 0)
                printf("WRONG: what comes out is not what went in\n");
            *bytes += out.length;
        }
    codec_out_free(&out);
    *encode = readings / encoding / 1e6;
    *decode = readings / decoding / 1e6;
}

static void bench_code(const struct trace_days *t)
{
    static const struct way ways[] = {{"hour", BLOCK_HOURS, 1}, {"day", TRACE_DAY_SECONDS, 3}};
    struct packer *p = pack_create();
    for (size_t w = 0; w < 2; w++) {
        double encode[CODE_ROUNDS], decode[CODE_ROUNDS];
        size_t bytes = 0;
        for (int i = 0; i < CODE_ROUNDS; i++)
            run_code(p, t, &ways[w], &encode[i], &decode[i], &bytes);
        qsort(encode, CODE_ROUNDS, sizeof encode[0], by_size);
        qsort(decode, CODE_ROUNDS, sizeof decode[0], by_size);
        printf("code, %s blocks: %.4f bytes a reading; of %d runs encode median %.0f M/s (%.0f "
               "to %.0f), decode %.0f M/s (%.0f to %.0f)\n",
               ways[w].name, (double)bytes / (double)t->count / TRACE_DAY_SECONDS, CODE_ROUNDS,
               encode[CODE_ROUNDS / 2], encode[0], encode[CODE_ROUNDS - 1],
               decode[CODE_ROUNDS / 2], decode[0], decode[CODE_ROUNDS - 1]);
    }
    pack_destroy(p);
}

/* ---- a record ---- */

struct place {
    char folder[64], path[96];
    struct site site;
    struct store *store;
    struct frame *frame;
    int64_t mono_ms;
};

static void place_open(struct place *p, int circuits)
{
    *p = (struct place){.mono_ms = 1000};
    strcpy(p->folder, "/tmp/foretrip-bench-XXXXXX");
    if (!mkdtemp(p->folder))
        exit(1);
    snprintf(p->path, sizeof p->path, "%s/record.db", p->folder);
    site_init(&p->site);
    strcpy(site_add_panel(&p->site)->id, "main");
    for (int i = 0; i < circuits; i++) {
        struct site_circuit *c = site_add_circuit(&p->site);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        c->panel = 0;
        c->poles = 1;
        strcpy(c->leg, "A");
    }
    site_finish(&p->site);
    p->store = store_open(&(struct store_options){.path = p->path}, START_MS, NULL);
    store_set_site(p->store, &p->site);
    p->frame = frame_create(&p->site);
    p->frame->has = 1U << FRAME_AMPS;
}

static void place_add(struct place *p, const struct trace_days *t, int day, int second)
{
    struct frame *f = p->frame;
    f->mono_ms = p->mono_ms += 1000;
    f->wall_ms = START_MS + day * DAY_MS + second * INT64_C(1000);
    for (size_t c = 0; c < f->poles; c++)
        f->values[c] = (float)t->days[(c + (size_t)day) % t->count][second] / 1000.0F;
    store_add_readings(p->store, f);
}

/* hour by hour, as a replay does */
static void place_fill(struct place *p, const struct trace_days *t, int days)
{
    for (int day = 0; day < days; day++)
        for (int s = 0; s < TRACE_DAY_SECONDS; s++) {
            place_add(p, t, day, s);
            if (s % 3600 == 3599)
                store_commit(p->store, p->mono_ms, p->frame->wall_ms);
        }
    for (int i = 0; i < 6; i++) { /* the last day too */
        store_add_state(p->store, "x", "x", 1, 0);
        store_commit(p->store, p->mono_ms += 20000, START_MS + (days + 1) * DAY_MS);
    }
}

static void place_close(struct place *p)
{
    char command[128];
    store_close(p->store);
    frame_destroy(p->frame);
    site_free(&p->site);
    snprintf(command, sizeof command, "rm -rf %s", p->folder);
    if (system(command) != 0)
        printf("(%s stays)\n", p->folder);
}

static long long number(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    long long n = -1;
    if (sqlite3_open(path, &db) == SQLITE_OK &&
        sqlite3_prepare_v2(db, sql, -1, &st, NULL) == SQLITE_OK &&
        sqlite3_step(st) == SQLITE_ROW)
        n = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return n;
}

/* ---- questions ---- */

static void forget_file(const char *path)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd >= 0) {
        fdatasync(fd);
        posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
        close(fd);
    }
}

static double ask(const char *path, struct store_reader *warm, int64_t from, int64_t to)
{
    struct history_bucket out[1000];
    struct store_reader *r = warm;
    if (!r)
        forget_file(path);
    double begun = seconds_of(CLOCK_MONOTONIC);
    if (!r)
        r = store_reader_open(path);
    if (history_chart(r, "main-01.amps", from, to, 1000, out) != STORE_OK ||
        isnan(out[500].mean))
        printf("WRONG: no answer\n");
    double took = seconds_of(CLOCK_MONOTONIC) - begun;
    if (!warm)
        store_reader_close(r);
    return 1000.0 * took;
}

static void bench_charts(const char *path)
{
    static const struct {
        const char *name;
        int from, days;
    } spans[] = {{"day", 200, 1}, {"month", 100, 30}, {"year", 0, 365}};
    struct store_reader *r = store_reader_open(path);
    for (size_t s = 0; s < 3; s++) {
        int64_t from = START_MS + spans[s].from * DAY_MS, to = from + spans[s].days * DAY_MS;
        double warm[ROUNDS], cold[ROUNDS];
        ask(path, r, from, to);
        for (int i = 0; i < ROUNDS; i++) {
            warm[i] = ask(path, r, from, to);
            cold[i] = ask(path, NULL, from, to);
        }
        qsort(warm, ROUNDS, sizeof warm[0], by_size);
        qsort(cold, ROUNDS, sizeof cold[0], by_size);
        printf("1000 points of a %s: median %.2f ms (best %.2f), cold %.2f ms\n", spans[s].name,
               warm[ROUNDS / 2], warm[0], cold[ROUNDS / 2]);
    }
    store_reader_close(r);
}

/* of so many circuits; one is asked for 40 times */
static void bench_demand(const char *path, int circuits)
{
    const size_t count = 365 * 96;
    int64_t *edges = malloc((count + 1) * sizeof *edges);
    struct history_bucket *out = malloc(count * sizeof *out);
    struct store_reader *r = store_reader_open(path);
    double times[3];
    for (size_t i = 0; i <= count; i++)
        edges[i] = START_MS + (int64_t)i * 900000;
    for (int round = 0; round < 3; round++) {
        double begun = seconds_of(CLOCK_MONOTONIC);
        for (int c = 0; c < 40; c++) {
            char column[32];
            snprintf(column, sizeof column, "main-%02d.amps", c % circuits + 1);
            history_buckets(r, column, edges, count, HISTORY_EXACT, out);
        }
        times[round] = 1000.0 * (seconds_of(CLOCK_MONOTONIC) - begun);
    }
    qsort(times, 3, sizeof times[0], by_size);
    printf("15-minute demand of a year, %s: %.0f ms\n",
           circuits == 40 ? "40 circuits" : "40 times one circuit", times[1]);
    store_reader_close(r);
    free(edges);
    free(out);
}

/* ---- all of it ---- */

static void bench_size(const struct trace_days *t)
{
    const char *wanted = getenv("FORETRIP_BENCH_DAYS");
    int days = wanted ? atoi(wanted) : 8;
    struct place p;
    struct rusage usage;
    double begun = seconds_of(CLOCK_MONOTONIC), begun_cpu = cpu();
    place_open(&p, 40);
    place_fill(&p, t, days);
    double readings = 40.0 * TRACE_DAY_SECONDS * days;
    long long bytes = number(p.path, "SELECT page_count * page_size FROM pragma_page_count(),"
                                     " pragma_page_size()");
    long long unused =
        number(p.path, "SELECT freelist_count * page_size FROM pragma_freelist_count(),"
                       " pragma_page_size()");
    long long of_days = number(p.path, "SELECT sum(length(data)) FROM days");
    long long of_summaries = number(p.path, "SELECT sum(length(data)) FROM summaries");
    getrusage(RUSAGE_SELF, &usage);
    printf("record, 40 circuits, %d days: %.4f bytes a reading all in (of it readings %.4f, "
           "summaries %.4f, free pages %.4f); plain table: 15 to 44\n",
           days, (double)bytes / readings, (double)of_days / readings,
           (double)of_summaries / readings, (double)unused / readings);
    printf("a year of 40 circuits, from that: %.0f MB\n",
           (double)(bytes - unused) / days * 365.0 / 1e6 + (double)unused / 1e6);
    printf("stored in %.1f s (%.1f s of CPU, %.1f M readings/s), peak memory %ld MB\n",
           seconds_of(CLOCK_MONOTONIC) - begun, cpu() - begun_cpu,
           readings / (cpu() - begun_cpu) / 1e6, usage.ru_maxrss / 1024);
    if (days >= 365) {
        bench_charts(p.path);
        bench_demand(p.path, 40);
    }
    place_close(&p);
}

/* ---- what the card gets ---- */

static double written(void)
{
    FILE *f = fopen("/proc/self/io", "re");
    char line[64];
    double bytes = 0.0;
    while (f && fgets(line, sizeof line, f))
        if (strncmp(line, "wchar:", 6) == 0)
            bytes = strtod(line + 6, NULL);
    if (f)
        fclose(f);
    return bytes;
}

static double plain_day(const struct trace_days *t, const char *path, int seconds)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    sqlite3_open(path, &db);
    sqlite3_exec(
        db,
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; CREATE TABLE readings (ch, t,"
        " ma, PRIMARY KEY (ch, t)) WITHOUT ROWID",
        NULL, NULL, NULL);
    sqlite3_prepare_v2(db, "INSERT INTO readings VALUES (?1, ?2, ?3)", -1, &st, NULL);
    double before = written();
    for (int s = 0; s < seconds; s++) {
        sqlite3_exec(db, "BEGIN", NULL, NULL, NULL);
        for (int c = 0; c < 42; c++) {
            sqlite3_bind_int(st, 1, c);
            sqlite3_bind_int64(st, 2, START_MS + s * 1000);
            sqlite3_bind_int(st, 3, t->days[(size_t)c % t->count][s]);
            sqlite3_step(st);
            sqlite3_reset(st);
        }
        sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
    }
    double bytes = written() - before;
    sqlite3_finalize(st);
    sqlite3_close(db);
    return bytes / seconds * TRACE_DAY_SECONDS;
}

static void bench_writes(const struct trace_days *t)
{
    struct place p;
    char plain[128];
    const int seconds = 3 * 3600 + 60;
    place_open(&p, 42);
    double before = written();
    for (int s = 0; s < seconds; s++) {
        place_add(&p, t, 0, 12 * 3600 - 3600 + s);
        store_commit(p.store, p.mono_ms, p.frame->wall_ms);
    }
    double ours = (written() - before) / seconds * TRACE_DAY_SECONDS;
    snprintf(plain, sizeof plain, "%s/plain.db", p.folder);
    double rows = plain_day(t, plain, 1200);
    printf("written a day, 42 circuits at 1 Hz: %.0f MB (a year %.0f GB); a row a reading %.0f "
           "MB: "
           "%.0f times as much\n",
           ours / 1e6, ours * 365.0 / 1e9, rows / 1e6, rows / ours);
    place_close(&p);
}

int main(void)
{
    struct trace_days t;
    struct place p;
    if (!trace_days_load(&t, 40))
        return 0;
    printf("%zu appliance days at 10 mA\n", t.count);
    bench_code(&t);
    if (getenv("FORETRIP_BENCH_CODE")) { /* nothing else */
        trace_days_free(&t);
        return 0;
    }
    bench_size(&t);
    bench_writes(&t);
    place_open(&p, 1);
    place_fill(&p, &t, 365);
    bench_charts(p.path);
    bench_demand(p.path, 1);
    place_close(&p);
    trace_days_free(&t);
    return 0;
}
