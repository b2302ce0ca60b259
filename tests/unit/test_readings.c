/* readings: frames into blocks, blocks onto the disk, and spans of them back */
#include "check.h"
#include "record.h"

#include "store/block.h"

#include <stdlib.h>

static int set_up(void **state)
{
    struct record *r = malloc(sizeof *r);
    record_init(r);
    record_catch_log();
    *state = r;
    return record_open(r, (struct store_options){0}) == STORE_OK ? 0 : -1;
}

static int tear_down(void **state)
{
    record_finish(*state);
    record_catch_log();
    free(*state);
    return 0;
}

static uint64_t next_random(uint64_t *state) /* splitmix64, public domain (Vigna) */
{
    uint64_t z = (*state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

#define POLES 5
#define PANELS 2
#define VALUES (4 * POLES + 3 * PANELS)

static struct frame *new_frame(void)
{
    struct frame *f = calloc(1, sizeof *f + VALUES * sizeof f->values[0]);
    f->poles = POLES;
    f->panels = PANELS;
    f->count = VALUES;
    return f;
}

static double unit_of(size_t index)
{
    return 1.0 / block_scale((enum frame_quantity)(index / POLES < 4 ? index / POLES : 4));
}

/* values that jump, stand still, drift, go negative and go missing */
static float draw(uint64_t *state, float last)
{
    uint64_t r = next_random(state);
    switch (r % 8) {
    case 0: return NAN;
    case 1: return (float)((double)(next_random(state) % 2000000) / 1000.0 - 1000.0);
    case 2: return isnan(last) ? 0.25F : last + 0.001F;
    default: return last;
    }
}

static void a_block_gives_back_what_went_in(void **state)
{
    (void)state;
    uint64_t seed = 1;
    struct frame *f = new_frame();
    for (int round = 0; round < 200; round++) {
        struct block *b = block_create(POLES, PANELS);
        struct codec_out bytes = {0};
        float wanted[BLOCK_ROWS][VALUES];
        int64_t times[BLOCK_ROWS], wall_ms[BLOCK_ROWS], t = RECORD_WALL_MS;
        double values[BLOCK_ROWS];
        size_t rows = 1 + next_random(&seed) % 40, got = 0;
        f->has = (uint32_t)(next_random(&seed) % 32);
        for (size_t i = 0; i < rows; i++) {
            f->wall_ms = times[i] = t += 1 + (int64_t)(next_random(&seed) % 1500);
            for (size_t v = 0; v < VALUES; v++)
                wanted[i][v] = f->values[v] = draw(&seed, i ? f->values[v] : NAN);
            if (!block_add(b, f)) {
                rows = i;
                break;
            }
        }
        assert_int_equal(block_rows(b), rows);
        block_seal(b, &bytes);
        for (size_t v = 0; v < VALUES; v++) {
            size_t q = v / POLES < 4 ? v / POLES : 4;
            assert_true(block_read(bytes.bytes, bytes.length, times[0], POLES, PANELS, v,
                                   wall_ms, values, &got));
            assert_int_equal(got, rows);
            for (size_t i = 0; i < rows; i++) {
                assert_int_equal(wall_ms[i], times[i]);
                if (!(f->has >> q & 1) || isnan(wanted[i][v]))
                    assert_true(isnan(values[i]));
                else
                    assert_near(values[i], (double)wanted[i][v], unit_of(v) / 2 + 1e-9);
            }
        }
        codec_out_free(&bytes);
        block_destroy(b);
    }
    free(f);
}

static void quiet_channels_cost_next_to_nothing(void **state)
{
    (void)state;
    struct frame *f = new_frame();
    struct block *b = block_create(POLES, PANELS);
    struct codec_out bytes = {0};
    f->has = 31;
    for (int i = 0; i < 60; i++) {
        f->wall_ms = i * 1000;
        for (size_t v = 0; v < VALUES; v++)
            f->values[v] = v % 2 ? NAN : 12.5F;
        assert_true(block_add(b, f));
    }
    block_seal(b, &bytes);
    /* header 3, times 2 each, a channel 2 to 3 bytes and 2 for the run, or 2 when it is missing
     */
    assert_true(bytes.length <= 3 + 59 * 2 + VALUES / 2 * 5 + VALUES / 2 * 2);
    codec_out_free(&bytes);
    block_destroy(b);
    free(f);
}

static void damaged_blocks_are_noticed_or_harmless(void **state)
{
    (void)state;
    uint64_t seed = 7;
    struct frame *f = new_frame();
    struct block *b = block_create(POLES, PANELS);
    struct codec_out bytes = {0};
    int64_t wall_ms[BLOCK_ROWS];
    double values[BLOCK_ROWS];
    size_t rows;
    f->has = 31;
    for (int i = 0; i < 20; i++) {
        f->wall_ms = i * 1000;
        for (size_t v = 0; v < VALUES; v++)
            f->values[v] = draw(&seed, i ? f->values[v] : NAN);
        block_add(b, f);
    }
    block_seal(b, &bytes);
    for (size_t cut = 0; cut < bytes.length; cut++)
        assert_false(
            block_read(bytes.bytes, cut, 0, POLES, PANELS, VALUES - 1, wall_ms, values, &rows));
    for (int i = 0; i < 20000; i++) { /* under the sanitizers: no read or write outside */
        uint8_t *copy = malloc(bytes.length);
        memcpy(copy, bytes.bytes, bytes.length);
        for (int k = 0; k < 3; k++)
            copy[next_random(&seed) % bytes.length] = (uint8_t)next_random(&seed);
        if (block_read(copy, bytes.length, 0, POLES, PANELS, next_random(&seed) % VALUES,
                       wall_ms, values, &rows))
            assert_true(rows >= 1 && rows <= BLOCK_ROWS);
        free(copy);
    }
    codec_out_free(&bytes);
    block_destroy(b);
    free(f);
}

static void a_block_ends_when_the_clock_is_set_back_or_time_is_long(void **state)
{
    (void)state;
    static const struct {
        int64_t step_ms;
        bool taken;
    } cases[] = {{1, true},  {1000, true}, {60000, true},    {60001, false},
                 {0, false}, {-1, false},  {-3600000, false}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct frame *f = new_frame();
        struct block *b = block_create(POLES, PANELS);
        f->wall_ms = 10000000;
        assert_true(block_add(b, f));
        f->wall_ms += cases[i].step_ms;
        assert_int_equal(block_add(b, f), cases[i].taken);
        assert_int_equal(block_rows(b), cases[i].taken ? 2 : 1);
        block_destroy(b);
        free(f);
    }
}

/* ---- through the store ---- */

struct series {
    size_t count;
    int64_t wall_ms[4000];
    double values[4000];
};

static bool collect(void *context, int64_t wall_ms, double value)
{
    struct series *s = context;
    s->wall_ms[s->count] = wall_ms;
    s->values[s->count++] = value;
    return s->count < 4000;
}

/* a second of readings: pole p draws i + p amps, the second in ten is missing */
static void second(struct record *r, struct frame *f, int i)
{
    frame_clear(f);
    f->mono_ms = r->mono_ms;
    f->wall_ms = r->wall_ms;
    f->has = 1U << FRAME_AMPS | 1U << FRAME_WATTS | 1U << FRAME_PANEL_VOLTS;
    for (size_t p = 0; p < f->poles; p++) {
        f->values[frame_index(f, FRAME_AMPS, p)] =
            i % 10 == 1 ? NAN : (float)(i % 100 + (int)p);
        f->values[frame_index(f, FRAME_WATTS, p)] = -0.5F * (float)i;
    }
    f->values[frame_panel_index(f, 0, 1)] = 120.25F;
    store_add_readings(r->store, f);
    assert_int_equal(record_turn(r), STORE_OK);
}

static void a_span_comes_back_from_the_disk(void **state)
{
    struct record *r = *state;
    struct frame *f = frame_create(&r->site);
    struct series *s = calloc(1, sizeof *s);
    for (int i = 0; i < 300; i++)
        second(r, f, i);
    record_open(r, (struct store_options){0}); /* what waited is written at the end */
    assert_int_equal(store_read_span(r->reader, "cellar-02.amps_2", RECORD_WALL_MS + 37000,
                                     RECORD_WALL_MS + 212000, collect, s),
                     STORE_OK);
    assert_int_equal(s->count, 176);
    for (size_t k = 0; k < s->count; k++) {
        int i = 37 + (int)k;
        assert_int_equal(s->wall_ms[k], RECORD_WALL_MS + i * 1000);
        if (i % 10 == 1)
            assert_true(isnan(s->values[k]));
        else
            assert_near(s->values[k], i % 100 + 2, 1e-9);
    }
    s->count = 0;
    store_read_span(r->reader, "cellar-01.watts", RECORD_WALL_MS, RECORD_WALL_MS + 299000,
                    collect, s);
    assert_int_equal(s->count, 300);
    assert_near(s->values[299], -149.5, 1e-9);
    s->count = 0;
    store_read_span(r->reader, "cellar.volts_b", RECORD_WALL_MS, RECORD_WALL_MS + 299000,
                    collect, s);
    assert_near(s->values[5], 120.25, 1e-9);
    s->count = 0;
    store_read_span(r->reader, "attic-01.amps", 0, INT64_MAX / 2, collect, s);
    assert_int_equal(s->count, 0);
    frame_destroy(f);
    free(s);
}

static void at_most_ten_seconds_are_not_on_disk(void **state)
{
    struct record *r = *state;
    struct frame *f = frame_create(&r->site);
    struct series *s = calloc(1, sizeof *s);
    for (int i = 0; i < 120; i++) {
        second(r, f, i);
        s->count = 0;
        enum store_err err =
            store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX / 2, collect, s);
        assert_int_equal(err, STORE_OK);
        int64_t newest = s->count ? s->wall_ms[s->count - 1] : RECORD_WALL_MS - 1000;
        assert_true(f->wall_ms - newest <= STORE_READINGS_MS);
    }
    assert_true(record_number(r, "SELECT count(*) FROM readings") <=
                12); /* and not a write a second */
    frame_destroy(f);
    free(s);
}

static void a_clock_set_back_loses_no_reading(void **state)
{
    struct record *r = *state;
    struct frame *f = frame_create(&r->site);
    struct series *s = calloc(1, sizeof *s);
    for (int i = 0; i < 100; i++) {
        if (i == 55)
            r->wall_ms -= 30500; /* into the middle of what is there */
        second(r, f, i);
    }
    record_open(r, (struct store_options){0});
    store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX / 2, collect, s);
    assert_int_equal(s->count, 100);
    double sum = 0;
    for (size_t k = 0; k < s->count; k++)
        sum += isnan(s->values[k]) ? 0 : s->values[k];
    assert_near(sum, 4950 - 460, 1e-6); /* 0..99 without 1, 11, .. 91 */
    frame_destroy(f);
    free(s);
}

static void a_changed_site_keeps_the_old_readings_under_their_names(void **state)
{
    struct record *r = *state;
    struct frame *f = frame_create(&r->site);
    struct series *s = calloc(1, sizeof *s);
    struct site bigger;
    for (int i = 0; i < 25; i++)
        second(r, f, i);
    site_init(&bigger); /* a circuit in front: every index moves */
    strcpy(site_add_panel(&bigger)->id, "cellar");
    for (int i = 2; i >= 0; i--) {
        struct site_circuit *c = site_add_circuit(&bigger);
        snprintf(c->id, sizeof c->id, "cellar-%02d", i + 1);
        c->panel = 0;
        c->poles = i == 1 ? 2 : 1;
    }
    site_finish(&bigger);
    store_set_site(r->store, &bigger);
    struct frame *g = frame_create(&bigger);
    for (int i = 25; i < 50; i++)
        second(r, g, i);
    store_add_readings(r->store, f); /* a frame of the site that was: counted, not mixed up */
    struct store_status status;
    store_get_status(r->store, &status);
    assert_int_equal(status.lost_readings, 1);
    record_close(r);
    r->reader = store_reader_open(r->path);
    store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX / 2, collect, s);
    assert_int_equal(s->count, 50);
    assert_near(s->values[24], 24, 1e-9);     /* pole 0 of 3 */
    assert_near(s->values[49], 49 + 3, 1e-9); /* pole 3 of 4 */
    assert_int_equal(record_number(r, "SELECT count(*) FROM layouts"), 2);
    frame_destroy(f);
    frame_destroy(g);
    site_free(&bigger);
    free(s);
}

static void a_clock_gone_wrong_does_not_empty_the_history(void **state)
{
    struct record *r = *state;
    struct frame *f = frame_create(&r->site);
    record_open(r, (struct store_options){.readings_days = 30, .summaries_days = 3650});
    for (int day = 0; day < 4; day++, r->wall_ms += 86400000)
        for (int i = 0; i < 30; i++)
            second(r, f, i);
    int64_t before = record_number(r, "SELECT count(DISTINCT key >> 20) FROM days");
    assert_int_equal(before, 3);
    r->wall_ms += 400LL * 86400000;
    for (int i = 0; i < 300; i++)
        second(r, f, i);
    assert_int_equal(
        record_number(r, "SELECT count(DISTINCT key >> 20) FROM days WHERE key >> 20 < 20500"),
        4);
    frame_destroy(f);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_block_gives_back_what_went_in),
        cmocka_unit_test(quiet_channels_cost_next_to_nothing),
        cmocka_unit_test(damaged_blocks_are_noticed_or_harmless),
        cmocka_unit_test(a_block_ends_when_the_clock_is_set_back_or_time_is_long),
        TEST(a_span_comes_back_from_the_disk),
        TEST(at_most_ten_seconds_are_not_on_disk),
        TEST(a_clock_set_back_loses_no_reading),
        TEST(a_changed_site_keeps_the_old_readings_under_their_names),
        TEST(a_clock_gone_wrong_does_not_empty_the_history),
    };
    return cmocka_run_group_tests_name("readings", tests, NULL, NULL);
}
