/* history: memory that is short for a moment loses no reading */
#include "check.h"
#include "record.h"

#include "store/history.h"
#include "store/pack.h"

#include <dlfcn.h>
#include <string.h>
#include <zstd.h>

#define SECONDS 7300
#define DAY_MS INT64_C(86400000)

static bool is_short;

/* stands before libzstd's, which takes the most that reading a piece needs */
ZSTD_DCtx *ZSTD_createDCtx(void)
{
    ZSTD_DCtx *(*real)(void);
    void *next = dlsym(RTLD_NEXT, "ZSTD_createDCtx");
    memcpy(&real, &next, sizeof real); /* POSIX: a function's address fits */
    return is_short ? NULL : real();
}

static int set_up(void **state)
{
    is_short = false;
    return record_set_up(state);
}

/* a load that is on for half of each minute */
static double amps_at(int second)
{
    return second % 60 < 30 ? 4.0 + 0.01 * (second % 7) : 0.1;
}

static void add_readings(struct record *r)
{
    struct frame *f = frame_create(&r->site);
    f->has = 1U << FRAME_AMPS;
    for (int i = 0; i < SECONDS; i++) {
        f->wall_ms = r->wall_ms = RECORD_WALL_MS + i * INT64_C(1000);
        f->mono_ms = r->mono_ms += 1000;
        f->values[frame_index(f, FRAME_AMPS, 0)] = (float)amps_at(i);
        store_add_readings(r->store, f);
    }
    frame_destroy(f);
    assert_int_equal(store_commit(r->store, INT64_MAX / 2, r->wall_ms), STORE_OK);
}

/* days later, when the day is to be packed; what cannot be done then waits */
static void work(struct record *r)
{
    for (int i = 0; i < 8; i++) {
        store_add_state(r->store, "nudge", "x", 1, r->wall_ms);
        assert_int_equal(
            store_commit(r->store, r->mono_ms += 120000, RECORD_WALL_MS + 2 * DAY_MS),
            STORE_OK);
    }
}

static bool compare(void *context, int64_t wall_ms, double value)
{
    int *at = context;
    assert_int_equal(wall_ms, RECORD_WALL_MS + *at * INT64_C(1000));
    assert_near(value, amps_at((*at)++), 0.0051);
    return true;
}

static enum store_err read_back(struct record *r, int *found)
{
    *found = 0;
    return store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX, compare, found);
}

static void a_piece_that_no_memory_is_there_for_is_not_damaged(void **state)
{
    struct packer *p = pack_create();
    struct codec_out out = {0};
    int32_t values[2000];
    const int32_t *back;
    size_t n;
    (void)state;
    for (int i = 0; i < 2000; i++)
        values[i] = (int32_t)(1000.0 * amps_at(i));
    pack_encode(p, values, 2000, 1, &out);
    assert_int_equal(out.bytes[0], 2); /* compressed */
    is_short = true;
    assert_false(pack_decode(p, out.bytes, out.length, &back, &n));
    assert_true(pack_was_short(p));
    is_short = false;
    assert_true(pack_decode(p, out.bytes, out.length, &back, &n));
    assert_false(pack_was_short(p));
    assert_false(pack_decode(p, out.bytes, out.length / 2, &back, &n));
    assert_false(pack_was_short(p)); /* that is damage */
    codec_out_free(&out);
    pack_destroy(p);
}

static void what_cannot_be_packed_for_want_of_memory_is_packed_later(void **state)
{
    struct record *r = *state;
    int found;
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    add_readings(r);
    assert_true(record_number(r, "SELECT count(*) FROM hours") > 0);
    is_short = true;
    assert_int_equal(read_back(r, &found), STORE_ERR_MEMORY);
    work(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM days"), 0);
    is_short = false;
    assert_int_equal(record_logged("damaged"), 0);
    assert_int_equal(read_back(r, &found), STORE_OK);
    assert_int_equal(found, SECONDS);
    work(r);
    assert_true(record_number(r, "SELECT count(*) FROM days") > 0);
    assert_int_equal(record_number(r, "SELECT count(*) FROM hours"), 0);
    assert_int_equal(read_back(r, &found), STORE_OK);
    assert_int_equal(found, SECONDS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_piece_that_no_memory_is_there_for_is_not_damaged,
                                        set_up, record_tear_down),
        cmocka_unit_test_setup_teardown(
            what_cannot_be_packed_for_want_of_memory_is_packed_later, set_up, record_tear_down),
    };
    return cmocka_run_group_tests_name("history_short", tests, NULL, NULL);
}
