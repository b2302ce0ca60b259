/* recorded: CSV into frames and back, and what is said when it cannot be */
#include "check.h"

#include "drivers/recorded_ahead.h"
#include "drivers/recorded_time.h"

#include "base/clock.h"

#include <errno.h>
#include <stdlib.h>

static struct site site;

static void add_circuit(const char *id, int poles)
{
    struct site_circuit *c = site_add_circuit(&site);
    snprintf(c->id, sizeof c->id, "%s", id);
    c->panel = 0;
    c->poles = poles;
}

static int set_up(void **state)
{
    (void)state;
    site_init(&site);
    snprintf(site.timezone, sizeof site.timezone, "America/Chicago");
    snprintf(site_add_panel(&site)->id, SITE_ID_SIZE, "main");
    add_circuit("main-07", 1);
    add_circuit("main-14", 2);
    site_finish(&site);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    site_free(&site);
    return 0;
}

/* a text that arrives in pieces of `piece` bytes */
struct memory {
    const char *at;
    size_t left, piece;
};

static ptrdiff_t read_memory(void *context, char *out, size_t capacity)
{
    struct memory *m = context;
    size_t n = m->left < m->piece ? m->left : m->piece;
    n = n < capacity ? n : capacity;
    memcpy(out, m->at, n);
    m->at += n;
    m->left -= n;
    return (ptrdiff_t)n;
}

static struct recorded *open_text(struct memory *m, const char *text, size_t length,
                                  size_t piece, const struct cells_way *way,
                                  struct text *problem)
{
    *m = (struct memory){text, length, piece};
    struct recorded_input input = {"r.csv", read_memory, m, way, 0};
    return recorded_create(&site, &input, problem);
}

/* all rows, as text that shows every bit; then what was said */
static char *play(const char *text, size_t length, size_t piece, const struct cells_way *way)
{
    struct memory m;
    struct text out = TEXT_INIT, problem = TEXT_INIT;
    struct recorded *r = open_text(&m, text, length, piece, way, &problem);
    if (!r) {
        text_append(&out, text_get(&problem));
    } else {
        struct frame *frames[3];
        size_t n;
        for (int i = 0; i < 3; i++)
            assert_non_null(frames[i] = frame_create(&site));
        while ((n = recorded_read(r, frames, 3)) > 0)
            for (size_t k = 0; k < n; k++) {
                const struct frame *f = frames[k];
                text_printf(&out, "%lld/%lld/%d",
                            (long long)(f->mono_ms - RECORDED_FIRST_MONO_MS),
                            (long long)f->wall_ms, (int)f->utc_offset_seconds);
                for (size_t i = 0; i < f->count; i++)
                    if (!isnan(f->values[i]))
                        text_printf(&out, " %zu=%.9g", i, (double)f->values[i]);
                text_append(&out, "\n");
            }
        text_append(&out, recorded_problem(r));
        for (int i = 0; i < 3; i++)
            frame_destroy(frames[i]);
        recorded_close(r);
    }
    text_free(&problem);
    if (!out.bytes)
        text_append(&out, "");
    return out.bytes;
}

static void expect(const char *csv, const char *wanted)
{
    const struct cells_way *ways[CELLS_MOST_WAYS];
    size_t count = cells_ways(ways);
    static const size_t pieces[] = {1, 7, 1000000};
    for (size_t k = 0; k < count; k++)
        for (size_t p = 0; p < 3; p++) {
            char *got = play(csv, strlen(csv), pieces[p], ways[k]);
            if (strcmp(got, wanted) != 0)
                fail_msg("%s, pieces of %zu:\n%s\nwanted:\n%s", ways[k]->name, pieces[p], got,
                         wanted);
            free(got);
        }
}

static void rows_become_frames(void **state)
{
    (void)state;
    /* the frame of this site: amps 0..2, watts 3..5, volts 6..8, pf 9..11, panel volts 12..14
     */
    expect("time,main-07.amps,main-14.amps_2,main-14.watts,main.volts_b\n"
           "1767225600,0.44,12.5,-150.25,121.9\n"
           "1767225601.5,,1e1, 33 ,\n",
           "0/1767225600000/-21600 0=0.439999998 2=12.5 4=-150.25 13=121.900002\n"
           "1500/1767225601500/-21600 2=10 4=33\n");
}

static void line_ends_marks_and_empty_lines_do_not_matter(void **state)
{
    (void)state;
    expect("\xEF\xBB\xBFtime,main-07.amps\r\n\r\n1767225600,1\r\n  "
           "\r\n1767225601,2\r\n\n1767225602,3",
           "0/1767225600000/-21600 0=1\n1000/1767225601000/-21600 0=2\n"
           "2000/1767225602000/-21600 0=3\n");
    expect("time , main-07.amps\n 1767225600\t, 1 \n", "0/1767225600000/-21600 0=1\n");
    expect("time,main-07.amps\n", "");
    expect("time,main-07.amps", "");
}

static void times_may_be_rfc3339(void **state)
{
    (void)state;
    expect("time,main-07.amps\n2026-01-01T00:59:58Z,1\n2026-01-01T00:59:59.25Z,1\n"
           "2026-01-01T01:00:00.250Z,1\n2026-01-01T01:00:01.125Z,1\n"
           "2026-01-01T01:00:02.1259Z,1\n2025-12-31T19:00:03.125-06:00,1\n"
           "2025-12-31T19:00:04.125-06:00,1\n2025-12-31T19:30:05.125-05:30,1\n",
           "0/1767229198000/-21600 0=1\n1250/1767229199250/-21600 0=1\n"
           "2250/1767229200250/-21600 0=1\n3125/1767229201125/-21600 0=1\n"
           "4125/1767229202125/-21600 0=1\n5125/1767229203125/-21600 0=1\n"
           "6125/1767229204125/-21600 0=1\n7125/1767229205125/-21600 0=1\n");
}

static void what_changes_in_a_time_is_read_like_the_whole(void **state)
{
    struct recorded_time quick;
    char text[CLOCK_RFC3339_SIZE + 8] = "";
    (void)state;
    recorded_time_init(&quick, "UTC");
    for (int64_t ms = 1767225600000; ms < 1767225600000 + 40 * 3600000LL; ms += 12347) {
        clock_format_rfc3339(ms, text);
        assert_true(recorded_time_take(&quick, text, strlen(text)));
        assert_int_equal(quick.wall_ms, ms);
        snprintf(text, sizeof text, "%lld.%03lld", (long long)(ms / 1000),
                 (long long)(ms % 1000));
        assert_true(recorded_time_take(&quick, text, strlen(text)));
        assert_int_equal(quick.wall_ms, ms);
    }
    assert_false(recorded_time_take(&quick, "2026-01-02T16:60:00.000Z", 24));
    assert_false(recorded_time_take(&quick, "2026-01-02T16:0a:00.000Z", 24));
    assert_false(recorded_time_take(&quick, "17672a5600", 10));
    assert_false(recorded_time_take(&quick, "17672256x0", 10));
    assert_false(recorded_time_take(&quick, "1767225600.", 11));
}

static void a_clock_set_back_does_not_stop_the_intervals(void **state)
{
    struct memory m;
    struct text problem = TEXT_INIT;
    struct recorded_counts counts;
    (void)state;
    static const char csv[] = "time,main-07.amps\n1767225600,1\n1767225602,1\n1767225604,1\n"
                              "1767222006,1\n1767222008,1\n1767222008,1\n1767225700,1\n";
    expect(csv, "0/1767225600000/-21600 0=1\n2000/1767225602000/-21600 0=1\n"
                "4000/1767225604000/-21600 0=1\n6000/1767222006000/-21600 0=1\n"
                "8000/1767222008000/-21600 0=1\n10000/1767222008000/-21600 0=1\n"
                "3702000/1767225700000/-21600 0=1\n");
    struct recorded *r = open_text(&m, csv, sizeof csv - 1, 100, NULL, &problem);
    struct frame *f = frame_create(&site);
    assert_non_null(r);
    while (recorded_read(r, &f, 1) == 1)
        ;
    recorded_counts(r, &counts);
    assert_int_equal(counts.rows, 7);
    assert_int_equal(counts.set_back, 2);
    assert_int_equal(counts.first_set_back_line, 5);
    frame_destroy(f);
    recorded_close(r);
}

static void local_time_follows_the_zone(void **state)
{
    (void)state;
    /* the clocks of Chicago go forward on 2026-03-08 at 08:00 UTC */
    expect("time,main-07.amps\n2026-03-08T07:59:59Z,1\n2026-03-08T08:00:00Z,1\n",
           "0/1772956799000/-21600 0=1\n1000/1772956800000/-18000 0=1\n");
}

static void what_no_meter_can_mean_is_no_reading(void **state)
{
    struct memory m;
    struct text problem = TEXT_INIT;
    struct recorded_counts counts;
    (void)state;
    static const char csv[] = "time,main-07.amps,main-07.pf,main-07.volts\n1,-0.05,-1,2000\n"
                              "2,10000,1.01,2000.5\n3,-0.11,1e999,-1\n4,10001,,\n";
    expect(csv, "0/1000/-21600 0=0 6=2000 9=-1\n1000/2000/-21600 0=10000\n2000/3000/-21600\n"
                "3000/4000/-21600\n");
    struct recorded *r = open_text(&m, csv, sizeof csv - 1, 100, NULL, &problem);
    struct frame *f = frame_create(&site);
    assert_non_null(r);
    while (recorded_read(r, &f, 1) == 1)
        ;
    recorded_counts(r, &counts);
    assert_int_equal(counts.readings, 4);
    assert_int_equal(counts.refused, 6);
    assert_string_equal(counts.first_refused, "3: column \"main-07.pf\"");
    frame_destroy(f);
    recorded_close(r);
}

/* every number goes the way frame_checked sends it */
static void bounds_are_those_of_live_readings(void **state)
{
    static const double values[] = {-20e6, -10e6,  -2000, -1.01,   -1,  -0.11,
                                    -0.1,  -0.05,  0,     0.0001,  1,   1.01,
                                    2000,  2000.1, 1e4,   10000.1, 1e7, 1.1e7};
    static const struct {
        const char *column;
        enum frame_quantity quantity;
        size_t index;
    } columns[] = {
        {"main-07.amps", FRAME_AMPS, 0},         {"main-07.watts", FRAME_WATTS, 3},
        {"main-07.volts", FRAME_VOLTS, 6},       {"main-07.pf", FRAME_POWER_FACTOR, 9},
        {"main.volts_a", FRAME_PANEL_VOLTS, 12},
    };
    (void)state;
    for (size_t c = 0; c < 5; c++)
        for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
            char csv[96];
            struct memory m;
            struct text problem = TEXT_INIT;
            snprintf(csv, sizeof csv, "time,%s\n1,%.9g\n", columns[c].column, values[i]);
            struct recorded *r = open_text(&m, csv, strlen(csv), 100, NULL, &problem);
            struct frame *f = frame_create(&site);
            assert_non_null(r);
            assert_int_equal(recorded_read(r, &f, 1), 1);
            float got = f->values[columns[c].index];
            float live = frame_checked(columns[c].quantity, values[i]);
            if (!(got == live || (isnan(got) && isnan(live))))
                fail_msg("%s: %g, live %g", csv, (double)got, (double)live);
            frame_destroy(f);
            recorded_close(r);
        }
}

static void mistakes_are_named_with_their_place(void **state)
{
    static const struct {
        const char *csv, *wanted;
    } cases[] = {
        {"", "r.csv: empty; the first line names the columns"},
        {"Time,main-07.amps\n", "r.csv:1: the first column is \"Time\", it must be \"time\""},
        {"time\n1\n", "r.csv:1: no column of readings beside \"time\""},
        {"time,main-77.amps\n", "r.csv:1: column \"main-77.amps\": no circuit of that id in "
                                "site.cfg; the nearest is \"main-07.amps\""},
        {"time,main-07.ampere\n",
         "r.csv:1: column \"main-07.ampere\": the quantity is one of amps, watts, volts, pf, "
         "volts_a, volts_b, volts_c; the nearest is \"main-07.amps\""},
        {"time,main-07.amps,\n",
         "r.csv:1: column \"\": no point between the circuit or panel and the quantity"},
        {"time,\"main-07.amps\"\n",
         "r.csv:1: column \"\"main-07.amps\"\": no circuit of that id "
         "in site.cfg; the nearest is \"main-07.amps\""},
        {"time,main-07.amps,main-07.amps\n", "r.csv:1: column \"main-07.amps\": given twice"},
        {"time,main-07.amps,main-14.amps\n1,2,3\n2,3\n3,4,5\n",
         "0/1000/-21600 0=2 1=3\nr.csv:3: 2 cells, but the header names 3 columns"},
        {"time,main-07.amps\n1,2\n2,3,\n",
         "0/1000/-21600 0=2\nr.csv:3: 3 cells, but the header names 2 columns"},
        /* two rows short by what the next has too much: still the first that is wrong */
        {"time,main-07.amps,main-14.amps\n1,2\n3\n4,5,6\n7,8,9\n",
         "r.csv:2: 2 cells, but the header names 3 columns"},
        {"time,main-07.amps\n1,2\n2,x\n", "0/1000/-21600 0=2\nr.csv:3: column "
                                          "\"main-07.amps\": \"x\" is not a number; no reading "
                                          "is an empty cell"},
        {"time,main-07.amps\n1,\"2\"\n", "r.csv:2: column \"main-07.amps\": \"\"2\"\" is not a "
                                         "number; no reading is an empty cell"},
        {"time,main-07.amps\n1,nan\n",
         "r.csv:2: column \"main-07.amps\": \"nan\" is not a number; "
         "no reading is an empty cell"},
        {"time,main-07.amps\n\n\nyesterday,2\n",
         "r.csv:4: column \"time\": \"yesterday\" is neither RFC 3339 nor Unix seconds"},
        {"time,main-07.amps\n,2\n",
         "r.csv:2: column \"time\": \"\" is neither RFC 3339 nor Unix seconds"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        expect(cases[i].csv, cases[i].wanted);
}

static void a_line_without_end_is_refused(void **state)
{
    size_t length = RECORDED_MAX_LINE + 100;
    char *csv = malloc(length);
    (void)state;
    assert_non_null(csv);
    memset(csv, '1', length);
    memcpy(csv, "time,main-07.amps\n1,", 20);
    char *got = play(csv, length, length, NULL);
    assert_string_equal(got, "r.csv:2: the line is longer than 4194304 bytes");
    free(got);
    free(csv);
}

static ptrdiff_t read_nothing(void *context, char *out, size_t capacity)
{
    (void)context;
    (void)out;
    (void)capacity;
    errno = EIO;
    return -1;
}

static void a_file_that_cannot_be_read_is_named(void **state)
{
    struct text problem = TEXT_INIT;
    struct recorded_input input = {"r.csv", read_nothing, NULL, NULL, 0};
    (void)state;
    assert_null(recorded_create(&site, &input, &problem));
    assert_string_equal(text_get(&problem), "r.csv: Input/output error");
    text_clear(&problem);
    assert_null(recorded_open(&site, "/nowhere/r.csv", &problem));
    assert_string_equal(text_get(&problem), "/nowhere/r.csv: No such file or directory");
    text_free(&problem);
}

static uint64_t next_random(uint64_t *state) /* splitmix64, public domain (Vigna) */
{
    uint64_t z = (*state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

#define COLUMNS 15
static const size_t all_columns[COLUMNS] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14};

/* rows of whatever a float can be within the bounds, as text; the values go to *values, too */
static void write_random(struct text *csv, uint64_t seed, size_t rows, float (*values)[COLUMNS])
{
    struct frame *f = frame_create(&site);
    assert_non_null(f);
    f->wall_ms = 1767225600000;
    recorded_write_header(csv, &site, all_columns, COLUMNS);
    for (size_t n = 0; n < rows; n++) {
        f->wall_ms += (int64_t)(next_random(&seed) % 5000);
        for (size_t i = 0; i < f->count; i++) {
            uint64_t r = next_random(&seed);
            double unit = (double)(r >> 11) / 9007199254740992.0;
            double v = r % 5 == 0   ? unit * 1e-6
                       : r % 5 == 1 ? unit
                       : r % 5 == 2 ? (double)(int)(unit * 1e5) / 100.0
                       : r % 5 == 3 ? (double)(int)(unit * 100) / 10.0
                                    : unit * 2000;
            if (i >= 9 && i < 12)
                v = fmod(v, 1.0);
            if (i >= 3 && i < 6 && (r >> 5) % 2)
                v = -v * 5000;
            f->values[i] = r % 23 == 0 ? (float)NAN : (float)v;
        }
        recorded_write_row(csv, f, all_columns, COLUMNS);
        if (values)
            memcpy(values[n], f->values, sizeof values[n]);
    }
    frame_destroy(f);
}

static void what_was_written_reads_back_to_the_bit(void **state)
{
    static float values[5000][COLUMNS];
    struct text csv = TEXT_INIT, problem = TEXT_INIT;
    struct memory m;
    (void)state;
    write_random(&csv, 3, 5000, values);
    struct recorded *r = open_text(&m, csv.bytes, csv.length, 1 << 16, NULL, &problem);
    struct frame *f = frame_create(&site);
    assert_non_null(r);
    size_t rows = 0;
    for (; recorded_read(r, &f, 1) == 1; rows++)
        for (size_t i = 0; i < COLUMNS; i++)
            if (!(f->values[i] == values[rows][i] ||
                  (isnan(f->values[i]) && isnan(values[rows][i]))))
                fail_msg("row %zu, column %zu: %.9g, was %.9g", rows, i, (double)f->values[i],
                         (double)values[rows][i]);
    assert_string_equal(recorded_problem(r), "");
    assert_int_equal(rows, 5000);
    frame_destroy(f);
    recorded_close(r);
    text_free(&csv);
}

static void short_numbers_are_written_short(void **state)
{
    static const struct {
        float value;
        const char *text;
    } cases[] = {
        {0.0F, "0"},         {0.44F, "0.44"},   {12.5F, "12.5"},           {-3.0F, "-3"},
        {0.001F, "0.001"},   {-0.02F, "-0.02"}, {121.9F, "121.9"},         {10000.0F, "10000"},
        {0.1234F, "0.1234"}, {1e-6F, "1e-06"},  {0.1234567F, "0.1234567"}, {-1e7F, "-10000000"},
    };
    struct frame *f = frame_create(&site);
    (void)state;
    assert_non_null(f);
    f->wall_ms = 1767225600250;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct text t = TEXT_INIT;
        const size_t column = 3;
        char wanted[64];
        f->values[3] = cases[i].value;
        recorded_write_row(&t, f, &column, 1);
        snprintf(wanted, sizeof wanted, "2026-01-01T00:00:00.250Z,%s\n", cases[i].text);
        assert_string_equal(text_get(&t), wanted);
        text_free(&t);
    }
    frame_destroy(f);
}

static void every_way_and_every_piece_gives_the_same_frames(void **state)
{
    const struct cells_way *ways[CELLS_MOST_WAYS];
    static const size_t pieces[] = {1, 4095, 1 << 20};
    size_t count = cells_ways(ways);
    struct text csv = TEXT_INIT;
    (void)state;
    write_random(&csv, 11, 2000, NULL);
    char *first = play(csv.bytes, csv.length, 1 << 16, ways[0]);
    for (size_t k = 0; k < count; k++)
        for (size_t p = 0; p < 3; p++) {
            char *got = play(csv.bytes, csv.length, pieces[p], ways[k]);
            assert_string_equal(first, got);
            free(got);
        }
    free(first);
    text_free(&csv);
}

static void reading_ahead_keeps_the_order(void **state)
{
    struct text csv = TEXT_INIT, problem = TEXT_INIT;
    struct memory m;
    (void)state;
    text_append(&csv, "time,main-07.amps\n");
    for (int i = 0; i < 20000; i++)
        text_printf(&csv, "%d,%d.%02d\n", i, i / 100, i % 100);
    text_append(&csv, "20000,what\n");
    for (int stop_at = 5000; stop_at <= 30000; stop_at += 25000) {
        struct recorded *r = open_text(&m, csv.bytes, csv.length, 5000, NULL, &problem);
        assert_non_null(r);
        struct recorded_ahead *a = recorded_ahead_start(r, &site);
        assert_non_null(a);
        const struct frame *const *frames;
        int next = 0;
        size_t n;
        while (next < stop_at && (n = recorded_ahead_next(a, &frames)) > 0) {
            for (int again = 0; again < 50; again++) /* slow: the ring fills up behind us */
                for (size_t k = 0; k < n; k++) {
                    assert_int_equal(frames[k]->wall_ms, (next + (int)k) * 1000LL);
                    assert_true(frames[k]->values[0] == (float)(next + (int)k) / 100.0F);
                }
            next += (int)n;
        }
        if (stop_at == 30000) {
            assert_int_equal(next, 20000);
            assert_int_equal(recorded_ahead_next(a, &frames), 0);
        }
        recorded_ahead_stop(a);
        if (stop_at == 30000)
            assert_string_equal(
                recorded_problem(r),
                "r.csv:20002: column \"main-07.amps\": \"what\" is not a number; "
                "no reading is an empty cell");
        recorded_close(r);
    }
    text_free(&csv);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_become_frames),
        cmocka_unit_test(line_ends_marks_and_empty_lines_do_not_matter),
        cmocka_unit_test(times_may_be_rfc3339),
        cmocka_unit_test(what_changes_in_a_time_is_read_like_the_whole),
        cmocka_unit_test(a_clock_set_back_does_not_stop_the_intervals),
        cmocka_unit_test(local_time_follows_the_zone),
        cmocka_unit_test(what_no_meter_can_mean_is_no_reading),
        cmocka_unit_test(bounds_are_those_of_live_readings),
        cmocka_unit_test(mistakes_are_named_with_their_place),
        cmocka_unit_test(a_line_without_end_is_refused),
        cmocka_unit_test(a_file_that_cannot_be_read_is_named),
        cmocka_unit_test(what_was_written_reads_back_to_the_bit),
        cmocka_unit_test(short_numbers_are_written_short),
        cmocka_unit_test(every_way_and_every_piece_gives_the_same_frames),
        cmocka_unit_test(reading_ahead_keeps_the_order),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
