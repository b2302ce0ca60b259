/* history: readings packed, summed up, merged, let go; what comes out is what went in */
#include "check.h"
#include "record.h"

#include "store/history.h"
#include "store/pack.h"
#include "store/summary.h"

#include <math.h>
#include <stdlib.h>

#define HOUR INT64_C(3600000)
#define DAY (24 * HOUR)
#define MOST_ROWS 200000

/* ---- the code ---- */

static uint32_t next_random(uint32_t *seed)
{
    *seed = *seed * 1664525U + 1013904223U;
    return *seed >> 8;
}

static void assert_packs(const int32_t *values, size_t n)
{
    struct packer *p = pack_create();
    for (int level = 1; level <= 3; level += 2) {
        struct codec_out out = {0};
        const int32_t *back;
        size_t found = 0;
        pack_encode(p, values, n, level, &out);
        assert_false(out.failed);
        assert_true(pack_decode(p, out.bytes, out.length, &back, &found));
        assert_int_equal(found, n);
        assert_memory_equal(back, values, n * sizeof *values);
        codec_out_free(&out);
    }
    pack_destroy(p);
}

static void any_integers_come_back_as_they_were(void **state)
{
    static const int32_t bounds[] = {INT32_MIN + 1, INT32_MAX, 0, -1, 1, 10, -10, PACK_NOTHING};
    int32_t values[1000];
    uint32_t seed = 1;
    (void)state;
    for (int round = 0; round < 300; round++) {
        size_t n = next_random(&seed) % 1000;
        int32_t step = (int32_t[]){1, 10, 100, 1000}[round % 4];
        for (size_t i = 0; i < n; i++) {
            uint32_t what = next_random(&seed) % 16;
            values[i] = what == 0                      ? PACK_NOTHING
                        : what < (uint32_t)(round % 5) ? bounds[next_random(&seed) % 8]
                        : what < 10 && i > 0
                            ? values[i - 1]
                            : (int32_t)(next_random(&seed) % 4000 - 2000) * step;
        }
        assert_packs(values, n);
    }
    for (size_t i = 0; i < 1000; i++)
        values[i] = PACK_NOTHING;
    assert_packs(values, 1000);
    assert_packs(values, 0);
}

static void a_flipped_bit_gives_no_other_values(void **state)
{
    struct packer *p = pack_create();
    int32_t values[500];
    uint32_t seed = 7;
    struct codec_out out = {0};
    (void)state;
    for (int i = 0; i < 500; i++)
        values[i] = i % 50 ? i / 100 * 70 + (int32_t)(next_random(&seed) % 2) : PACK_NOTHING;
    pack_encode(p, values, 500, 1, &out);
    assert_int_equal(out.bytes[0], 2); /* compressed, and so with a checksum */
    for (size_t i = 0; i < out.length; i++)
        for (int bit = 0; bit < 8; bit++) {
            const int32_t *back;
            size_t n;
            out.bytes[i] ^= (uint8_t)(1 << bit);
            if (pack_decode(p, out.bytes, out.length, &back,
                            &n)) { /* a bit without a meaning */
                assert_int_equal(n, 500);
                assert_memory_equal(back, values, sizeof values);
            }
            out.bytes[i] ^= (uint8_t)(1 << bit);
        }
    for (size_t length = 0; length < out.length; length++) {
        const int32_t *back;
        size_t n;
        assert_false(pack_decode(p, out.bytes, length, &back, &n));
    }
    codec_out_free(&out);
    pack_destroy(p);
}

/* ---- a record, beside plain arrays of what went in ---- */

struct kept {
    struct record r;
    struct frame *frame;
    int64_t times[MOST_ROWS];
    int32_t amps[MOST_ROWS]; /* of cellar-01, mA; PACK_NOTHING */
    size_t n;
    uint32_t seed;
    int32_t level;
};

static int set_up(void **state)
{
    struct kept *k = calloc(1, sizeof *k);
    record_init(&k->r);
    record_catch_log();
    k->frame = frame_create(&k->r.site);
    k->seed = 5;
    *state = k;
    return 0;
}

static int tear_down(void **state)
{
    struct kept *k = *state;
    frame_destroy(k->frame);
    record_finish(&k->r);
    record_catch_log();
    free(k);
    return 0;
}

static void add_row(struct kept *k, int64_t wall_ms, int32_t milliamps)
{
    struct frame *f = k->frame;
    f->wall_ms = k->r.wall_ms = wall_ms;
    f->mono_ms = k->r.mono_ms += 1000;
    f->has = 1U << FRAME_AMPS | 1U << FRAME_PANEL_VOLTS;
    f->values[frame_index(f, FRAME_AMPS, 0)] =
        milliamps == PACK_NOTHING ? (float)NAN : (float)milliamps / 1000.0F;
    f->values[frame_index(f, FRAME_AMPS, 1)] = 0.5F;
    f->values[frame_panel_index(f, 0, 0)] = 121.0F + (float)(k->n % 7) / 100.0F;
    store_add_readings(k->r.store, f);
    k->times[k->n] = wall_ms;
    k->amps[k->n++] = milliamps;
}

/* seconds of a load that comes and goes, with lost readings and lost rows here and there */
static void add_span(struct kept *k, int64_t from, int seconds)
{
    for (int i = 0; i < seconds; i++) {
        uint32_t what = next_random(&k->seed) % 1000;
        if (what < 4)
            k->level = (int32_t)(next_random(&k->seed) % 1500) * 10;
        if (what == 10)
            i += 20; /* lost rows */
        int64_t t = from + i * INT64_C(1000) + (what > 990 ? what % 9 : 0);
        add_row(k, t, what == 11 ? PACK_NOTHING : k->level + (int32_t)(what % 3) * 10);
        if (k->n % 600 == 0)
            assert_int_equal(store_commit(k->r.store, k->r.mono_ms, k->r.wall_ms), STORE_OK);
    }
    assert_int_equal(store_commit(k->r.store, INT64_MAX / 2, k->r.wall_ms), STORE_OK);
}

/* turns without readings, until everything due is done */
static void let_work(struct kept *k, int turns, int64_t wall_ms)
{
    for (int i = 0; i < turns; i++) {
        store_add_state(k->r.store, "nudge", "x", 1, wall_ms);
        assert_int_equal(store_commit(k->r.store, k->r.mono_ms += 20000, wall_ms), STORE_OK);
    }
}

struct compare {
    const struct kept *k;
    size_t at;
};

static bool compare_reading(void *context, int64_t wall_ms, double value)
{
    struct compare *c = context;
    assert_true(c->at < c->k->n);
    assert_int_equal(wall_ms, c->k->times[c->at]);
    int32_t wanted = c->k->amps[c->at++];
    if (wanted == PACK_NOTHING)
        assert_true(isnan(value));
    else
        assert_true(value == wanted / 1000.0);
    return true;
}

static void assert_there_from(struct kept *k, int64_t from)
{
    struct compare c = {k, 0};
    assert_int_equal(
        store_read_span(k->r.reader, "cellar-01.amps", from, INT64_MAX, compare_reading, &c),
        STORE_OK);
    assert_int_equal(c.at, k->n);
}

static void assert_all_there(struct kept *k)
{
    assert_there_from(k, 0);
}

static void print_fault(void *context, const char *sentence)
{
    int *faults = context;
    ++*faults;
    print_message("%s\n", sentence);
}

static struct history_check verify(struct kept *k, int wanted_faults)
{
    struct history_check check;
    int faults = 0;
    assert_int_equal(history_verify(k->r.reader, print_fault, &faults, &check), STORE_OK);
    assert_int_equal(check.faults, faults);
    if (wanted_faults >= 0)
        assert_int_equal(faults, wanted_faults);
    return check;
}

static void what_comes_out_is_what_went_in(void **state)
{
    struct kept *k = *state;
    assert_int_equal(record_open(&k->r, (struct store_options){0}), STORE_OK);
    add_span(k, RECORD_WALL_MS + 7 * HOUR, 50000); /* ends in the tail, seconds old */
    assert_all_there(k);
    assert_true(record_number(&k->r, "SELECT count(*) FROM hours") > 20);
    assert_true(record_number(&k->r, "SELECT count(*) FROM readings") > 0);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM days"), 0);
    verify(k, 0);
    let_work(k, 20, RECORD_WALL_MS + 2 * DAY);
    assert_all_there(k);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM hours"), 0);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM readings"), 0);
    /* times, amps of two poles (the third was never read), volts of one leg */
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM days"), 4);
    struct history_check check = verify(k, 0);
    assert_true(check.readings > 2 * k->n);
    assert_true(check.summaries > 3 * 1440);
}

static void late_readings_find_their_place(void **state)
{
    struct kept *k = *state;
    int64_t *times = malloc(sizeof k->times);
    int32_t *amps = malloc(sizeof k->amps);
    record_open(&k->r, (struct store_options){0});
    add_span(k, RECORD_WALL_MS, 3 * 3600);
    let_work(k, 5, RECORD_WALL_MS + 4 * HOUR);
    size_t first = k->n;
    add_span(k, RECORD_WALL_MS + HOUR + 500,
             300); /* the clock was set back: between the others */
    let_work(k, 5, RECORD_WALL_MS + 5 * HOUR);
    add_span(k, RECORD_WALL_MS + 5 * HOUR, 600);
    let_work(k, 5, RECORD_WALL_MS + 2 * DAY);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM hours"), 0);
    add_span(k, RECORD_WALL_MS + 4 * HOUR, 600); /* the day is packed already */
    let_work(k, 5, RECORD_WALL_MS + 2 * DAY);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM readings"), 0);
    /* what went in, in the order of time: a simple merge, stable */
    size_t at = 0;
    bool *taken = calloc(k->n, sizeof *taken);
    for (size_t n = 0; n < k->n; n++) {
        size_t best = SIZE_MAX;
        for (size_t i = at; i < k->n; i++) {
            if (taken[i])
                continue;
            if (best == SIZE_MAX || k->times[i] < k->times[best])
                best = i;
            if (i > first && i - at > 12000)
                break;
        }
        taken[best] = true;
        while (at < k->n && taken[at])
            at++;
        times[n] = k->times[best];
        amps[n] = k->amps[best];
    }
    memcpy(k->times, times, k->n * sizeof *times);
    memcpy(k->amps, amps, k->n * sizeof *amps);
    free(taken);
    free(times);
    free(amps);
    assert_all_there(k);
    verify(k, 0);
}

/* slowly and plainly: the bucket's readings, each for the time to the next */
static void assert_bucket(const struct kept *k, int64_t from, int64_t to,
                          const struct history_bucket *b)
{
    double sum = 0.0, squares = 0.0, weight = 0.0, least = INFINITY, most = -INFINITY;
    for (size_t i = 0; i < k->n; i++) {
        if (k->times[i] < from || k->times[i] >= to || k->amps[i] == PACK_NOTHING)
            continue;
        double v = k->amps[i] / 1000.0;
        int64_t step = i + 1 < k->n && k->times[i + 1] / HOUR == k->times[i] / HOUR
                           ? k->times[i + 1] - k->times[i]
                           : 1000;
        double w = step > 2500 ? 1.0 : (double)step / 1000.0;
        least = fmin(least, v);
        most = fmax(most, v);
        sum += v * w;
        squares += v * v * w;
        weight += w;
    }
    if (weight == 0.0) {
        assert_true(isnan(b->mean) && b->seconds == 0.0);
        return;
    }
    assert_true(b->least == least && b->most == most);
    assert_near(b->mean, sum / weight, 0.0011); /* rounded to 1 mA at each level */
    assert_near(b->rms, sqrt(squares / weight), 0.0016);
    assert_near(b->seconds, weight, 2.2 + 0.002 * (double)(to - from) / 1000.0);
}

static void buckets_say_what_the_readings_say(void **state)
{
    struct kept *k = *state;
    struct history_bucket out[200];
    static const struct {
        int64_t from, step;
        size_t count;
    } cases[] = {{7 * HOUR, 60000, 180},        {7 * HOUR, 15 * 60000, 60},
                 {6 * HOUR, HOUR, 18},          {0, DAY, 2},
                 {8 * HOUR + 7000, 13000, 200}, /* readings */
                 {20 * HOUR, 60000, 120},       /* the tail, and after its end */
                 {8 * HOUR, 20 * 60000, 30}};
    record_open(&k->r, (struct store_options){0});
    add_span(k, RECORD_WALL_MS + 7 * HOUR, 50000);
    for (int packed = 0; packed < 2; packed++) {
        for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
            int64_t edges[201];
            for (size_t i = 0; i <= cases[c].count; i++)
                edges[i] = RECORD_WALL_MS + cases[c].from + (int64_t)i * cases[c].step;
            assert_int_equal(history_buckets(k->r.reader, "cellar-01.amps", edges,
                                             cases[c].count, HISTORY_EXACT, out),
                             STORE_OK);
            for (size_t i = 0; i < cases[c].count; i++)
                assert_bucket(k, edges[i], edges[i + 1], &out[i]);
        }
        let_work(k, 20, RECORD_WALL_MS + 2 * DAY);
    }
    assert_int_equal(history_chart(k->r.reader, "cellar-01.amps", RECORD_WALL_MS,
                                   RECORD_WALL_MS + 4 * DAY, 100, out),
                     STORE_OK);
    double most = 0.0, seconds = 0.0;
    for (int i = 0; i < 100; i++) {
        most = fmax(most, isnan(out[i].most) ? 0.0 : out[i].most);
        seconds += out[i].seconds;
    }
    int32_t wanted = 0;
    for (size_t i = 0; i < k->n; i++)
        wanted = k->amps[i] > wanted ? k->amps[i] : wanted;
    assert_true(most == wanted / 1000.0);
    assert_near(seconds, (double)k->n, 0.03 * (double)k->n); /* edges slip */
    assert_int_equal(history_chart(k->r.reader, "no-such.amps", 0, DAY, 100, out), STORE_OK);
    assert_true(isnan(out[0].mean));
}

static void reopen(struct kept *k, int64_t wall_ms)
{
    k->r.wall_ms = wall_ms;
    record_open(&k->r, (struct store_options){.readings_days = 3.0, .summaries_days = 30.0});
}

static void old_readings_go_and_summaries_stay(void **state)
{
    struct kept *k = *state;
    struct history_bucket before, after;
    const int64_t edges[] = {RECORD_WALL_MS, RECORD_WALL_MS + DAY};
    record_open(&k->r, (struct store_options){.readings_days = 3.0, .summaries_days = 30.0});
    add_span(k, RECORD_WALL_MS + 7 * HOUR, 8000);
    struct event trip = record_trip(&k->r, "cellar-01-trip", 0, TRIP_CONFIRMED);
    trip.trip.opened_wall_ms = RECORD_WALL_MS + 8 * HOUR;
    record_add(&k->r, &trip);
    let_work(k, 6, RECORD_WALL_MS + 2 * DAY);
    history_buckets(k->r.reader, "cellar-02.amps", edges, 1, HISTORY_EXACT, &before);
    assert_true(before.seconds > 7000.0);
    reopen(k,
           RECORD_WALL_MS + 5 * DAY); /* what is past its age is looked for at the beginning */
    let_work(k, 6, RECORD_WALL_MS + 5 * DAY);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM days"), 0);
    history_buckets(k->r.reader, "cellar-02.amps", edges, 1, HISTORY_EXACT, &after);
    assert_memory_equal(&before, &after, sizeof before);
    verify(k, 0);
    /* of the trip's circuit, from half an hour before it to ten minutes after, it is all there
     */
    size_t from = 0, to;
    while (k->times[from] < RECORD_WALL_MS + 8 * HOUR - HOUR / 2)
        from++;
    for (to = from; k->times[to] <= RECORD_WALL_MS + 8 * HOUR + HOUR / 6;)
        to++;
    struct compare c = {k, from};
    assert_int_equal(store_read_span(k->r.reader, "cellar-01.amps", k->times[from],
                                     k->times[to - 1], compare_reading, &c),
                     STORE_OK);
    assert_int_equal(c.at, to);
    reopen(k, RECORD_WALL_MS + 400 * DAY);
    let_work(k, 6, RECORD_WALL_MS + 400 * DAY);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM summaries"), 0);
    assert_true(record_number(&k->r, "SELECT count(*) FROM frozen") >= 3);
}

static void above_its_size_the_oldest_readings_go(void **state)
{
    struct kept *k = *state;
    record_open(&k->r, (struct store_options){.history_pages = 60});
    for (int day = 0; day < 12; day++) {
        k->n = 0;
        add_span(k, RECORD_WALL_MS + day * DAY, 6 * 3600);
        let_work(k, 8, RECORD_WALL_MS + (day + 1) * DAY + HOUR);
    }
    assert_true(record_number(&k->r, "SELECT count(*) FROM days") > 0);
    assert_true(record_number(&k->r, "SELECT min(key) >> 20 FROM days") >
                (RECORD_WALL_MS / DAY));
    assert_true(record_number(&k->r,
                              "SELECT (SELECT page_count FROM pragma_page_count()) -"
                              " (SELECT freelist_count FROM pragma_freelist_count())") <= 64);
    assert_there_from(k, RECORD_WALL_MS + 11 * DAY); /* k->n: the last day */
    assert_true(record_logged("no more room") >= 1);
}

static void a_full_disk_takes_the_oldest_readings_and_no_event(void **state)
{
    struct kept *k = *state;
    record_open(&k->r, (struct store_options){.pages_most = 90});
    int64_t wall = RECORD_WALL_MS;
    int events = 0;
    for (int hour = 0; hour < 24 * 12; hour++, wall += HOUR) {
        k->n = 0;
        for (int i = 0; i < 400; i++)
            add_row(k, wall + i * 1000, (int32_t)(next_random(&k->seed) % 20000));
        for (int i = 0; i < 2; i++, events++)
            record_load(&k->r, 0, events);
        for (int i = 0; i < 4; i++)
            store_commit(k->r.store, k->r.mono_ms += 20000, wall + HOUR);
    }
    struct store_status status;
    store_get_status(k->r.store, &status);
    assert_int_equal(status.lost_records, 0);
    assert_true(status.dropped_days > 0);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM events") +
                         (int64_t)(status.err ? 2 : 0),
                     events);
    assert_true(record_logged("full") >= 1);
    verify(k, -1);
}

static void a_damaged_piece_is_named_and_the_rest_is_read(void **state)
{
    struct kept *k = *state;
    record_open(&k->r, (struct store_options){0});
    add_span(k, RECORD_WALL_MS, 7200);
    let_work(k, 8, RECORD_WALL_MS + 2 * DAY);
    verify(k, 0);
    record_do(&k->r, "UPDATE days SET data = substr(data, 1, length(data) / 2) WHERE key & "
                     "1048575 = (SELECT id FROM channels WHERE name = 'cellar-02.amps')");
    verify(k, 1);
    assert_all_there(k);
    struct compare c = {k, 0};
    assert_int_equal(
        store_read_span(k->r.reader, "cellar-02.amps", 0, INT64_MAX, compare_reading, &c),
        STORE_ERR_DAMAGED);
    /* a summary that is wrong is found too */
    record_do(&k->r,
              "UPDATE summaries SET data = (SELECT data FROM summaries WHERE key & 1048575"
              " = (SELECT id FROM channels WHERE name = 'cellar.volts_a') AND key >> 56 = 1)"
              " WHERE key >> 56 = 1");
    verify(k, 2);
}

/* what versions 1 and 2 wrote, frozen here: the tail of 2, two blocks, the second across an
 * hour */
static void a_record_of_version_2_keeps_its_readings(void **state)
{
    struct kept *k = *state;
    record_open(&k->r, (struct store_options){0});
    for (int i = 0; i < 5; i++)
        add_row(k, RECORD_WALL_MS + 3594000 + i * 1000, 1000 + i);
    store_commit(k->r.store, INT64_MAX / 2, k->r.wall_ms);
    for (int i = 5; i < 10; i++)
        add_row(k, RECORD_WALL_MS + 3594000 + i * 1000, 1000 + i);
    store_commit(k->r.store, INT64_MAX / 2, k->r.wall_ms);
    record_close(&k->r);
    /* back to what it was: one row a block, keyed by ms */
    record_do(
        &k->r,
        "UPDATE readings SET t = t / 16; DROP TABLE channels; DROP TABLE hours; DROP "
        "TABLE days; DROP TABLE frozen; DROP TABLE summaries; DROP TABLE audit; "
        "DROP TABLE calls; DROP TABLE call_steps; DROP TABLE places; DROP TABLE purposes; "
        "DROP TABLE directory_changes; "
        "PRAGMA user_version = 2");
    assert_int_equal(record_open(&k->r, (struct store_options){0}), STORE_OK);
    assert_all_there(k);
    let_work(k, 8, RECORD_WALL_MS + 2 * DAY);
    assert_all_there(k);
    assert_int_equal(record_number(&k->r, "SELECT count(*) FROM readings"), 0);
    verify(k, 0);
}

static void blocks_that_begin_in_the_same_ms_are_both_kept(void **state)
{
    struct kept *k = *state;
    record_open(&k->r, (struct store_options){0});
    for (int round = 0; round < 3; round++) {
        add_row(k, RECORD_WALL_MS, 100 + round); /* the clock was set back */
        store_commit(k->r.store, INT64_MAX / 2, k->r.wall_ms);
    }
    assert_all_there(k);
    let_work(k, 8, RECORD_WALL_MS + 2 * DAY);
    assert_all_there(k);
}

struct rows {
    const struct kept *k;
    size_t at;
};

static bool see_row(void *context, int64_t wall_ms, const float *values)
{
    struct rows *r = context;
    assert_int_equal(wall_ms, r->k->times[r->at]);
    int32_t wanted = r->k->amps[r->at];
    assert_true(wanted == PACK_NOTHING ? isnan(values[1])
                                       : values[1] == (float)wanted / 1000.0F);
    assert_true(values[2] == 0.5F && isnan(values[3]));
    assert_true(values[0] == 121.0F + (float)(r->at % 7) / 100.0F);
    r->at++;
    return true;
}

static void rows_and_a_copy_have_every_column(void **state)
{
    static const char *const columns[] = {"cellar.volts_a", "cellar-01.amps", "cellar-02.amps",
                                          "cellar-02.amps_2"};
    struct kept *k = *state;
    char copy[128], why[200] = "";
    record_open(&k->r, (struct store_options){0});
    add_span(k, RECORD_WALL_MS + 20 * HOUR, 6 * 3600); /* a day's end */
    let_work(k, 4, RECORD_WALL_MS + 26 * HOUR);
    snprintf(copy, sizeof copy, "%s/copy.db", k->r.folder);
    assert_int_equal(history_backup(k->r.reader, copy, why, sizeof why), STORE_OK);
    assert_int_equal(history_backup(k->r.reader, copy, why, sizeof why), STORE_ERR_OPEN);
    assert_non_null(strstr(why, "is there already"));
    struct store_reader *other = store_reader_open(copy);
    for (int i = 0; i < 2; i++) {
        struct rows rows = {k, 0};
        assert_int_equal(
            history_rows(i ? other : k->r.reader, columns, 4, 0, INT64_MAX, see_row, &rows),
            STORE_OK);
        assert_int_equal(rows.at, k->n);
    }
    store_reader_close(other);
}

#define WITH(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(any_integers_come_back_as_they_were),
        cmocka_unit_test(a_flipped_bit_gives_no_other_values),
        WITH(what_comes_out_is_what_went_in),
        WITH(late_readings_find_their_place),
        WITH(buckets_say_what_the_readings_say),
        WITH(old_readings_go_and_summaries_stay),
        WITH(above_its_size_the_oldest_readings_go),
        WITH(a_full_disk_takes_the_oldest_readings_and_no_event),
        WITH(a_damaged_piece_is_named_and_the_rest_is_read),
        WITH(a_record_of_version_2_keeps_its_readings),
        WITH(blocks_that_begin_in_the_same_ms_are_both_kept),
        WITH(rows_and_a_copy_have_every_column),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
