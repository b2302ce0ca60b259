/* readers beside the writer: neither is ever in the way of the other */
#include "check.h"
#include "record.h"

#include "store/history.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>

#define DAY INT64_C(86400000)
#define ROW_MS 60000
#define HOUR INT64_C(3600000)

static float amps_of(int64_t wall_ms)
{
    return (float)(wall_ms / 1000 % 977) / 100.0F;
}

/* a row a minute from..before, an event every 10 min, a commit a row; hours close and days
 * are packed on the way. No commit may fail, nor find the record busy. */
static void write_span(struct record *r, int64_t from, int64_t before)
{
    struct frame *f = frame_create(&r->site);
    f->has = 1U << FRAME_AMPS;
    for (int64_t t = from; t < before; t += ROW_MS) {
        f->wall_ms = r->wall_ms = t;
        f->mono_ms = r->mono_ms += ROW_MS;
        f->values[0] = amps_of(t);
        store_add_readings(r->store, f);
        if (t % 600000 == 0)
            record_load(r, 0, 1);
        assert_int_equal(store_commit(r->store, r->mono_ms, r->wall_ms), STORE_OK);
    }
    assert_int_equal(store_commit(r->store, INT64_MAX / 2, r->wall_ms), STORE_OK);
    frame_destroy(f);
}

struct reading {
    struct record *r;
    int64_t rows, last;
    bool wrote;
    int wrong;
};

static bool see_row(void *context, int64_t wall_ms, const float *values)
{
    struct reading *x = context;
    x->rows++;
    x->last = wall_ms;
    x->wrong += !(fabs((double)values[0] - (double)amps_of(wall_ms)) < 1e-3);
    if (x->r && !x->wrote && x->rows == 100) { /* the read stands open, the writer goes on */
        x->wrote = true;
        write_span(x->r, RECORD_WALL_MS + DAY, RECORD_WALL_MS + 3 * DAY);
    }
    return true;
}

static void a_long_read_holds_up_no_write_and_sees_one_moment(void **state)
{
    struct record *r = *state;
    static const char *const columns[] = {"cellar-01.amps"};
    record_open(r, (struct store_options){.readings_days = 1});
    write_span(r, RECORD_WALL_MS, RECORD_WALL_MS + DAY);
    struct reading x = {.r = r}, after = {0};
    assert_int_equal(history_rows(r->reader, columns, 1, 0, INT64_MAX / 64, see_row, &x),
                     STORE_OK);
    assert_true(x.wrote);
    assert_int_equal(x.wrong, 0);
    assert_int_equal(x.rows, DAY / ROW_MS); /* as it was when the read began */
    assert_int_equal(x.last, RECORD_WALL_MS + DAY - ROW_MS);
    assert_int_equal(history_rows(r->reader, columns, 1, RECORD_WALL_MS + 2 * DAY,
                                  INT64_MAX / 64, see_row, &after),
                     STORE_OK);
    assert_int_equal(after.rows, DAY / ROW_MS);
    assert_int_equal(after.last, RECORD_WALL_MS + 3 * DAY - ROW_MS);
    assert_int_equal(record_logged("busy") + record_logged("another program"), 0);
}

struct beside {
    const char *path;
    _Atomic bool stop;
    _Atomic int rounds;
    _Atomic int wrong;
};

static bool count_event(void *context, const struct store_event_row *row)
{
    int64_t *last = context;
    if (row->seq <= *last)
        return false;
    *last = row->seq;
    return true;
}

/* everything that reads, again and again, over a connection of its own */
static void *read_beside(void *context)
{
    struct beside *b = context;
    static const char *const columns[] = {"cellar-01.amps"};
    struct store_reader *r = store_reader_open(b->path);
    struct history_bucket buckets[200];
    struct history_check check;
    while (r && !b->stop) {
        int64_t from, to, last = 0;
        struct reading x = {0};
        bool good = history_ends(r, &from, &to) == STORE_OK &&
                    history_chart(r, columns[0], from, to + 1, 200, buckets) == STORE_OK &&
                    history_rows(r, columns, 1, from, to, see_row, &x) == STORE_OK &&
                    x.rows > 0 && x.wrong == 0 &&
                    history_verify(r, NULL, NULL, &check) == STORE_OK && check.faults == 0 &&
                    store_read_events(r, 0, SIZE_MAX / 2, count_event, &last) == STORE_OK &&
                    last > 0;
        b->wrong += !good;
        b->rounds++;
    }
    store_reader_close(r);
    return NULL;
}

static void reading_and_writing_go_on_side_by_side(void **state)
{
    struct record *r = *state;
    struct beside b = {.path = r->path};
    pthread_t threads[2];
    record_open(r, (struct store_options){.readings_days = 1});
    write_span(r, RECORD_WALL_MS, RECORD_WALL_MS + 6 * HOUR);
    for (int i = 0; i < 2; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, read_beside, &b), 0);
    int64_t t = RECORD_WALL_MS + 6 * HOUR;
    for (int i = 0; i < 8 || (b.rounds < 6 && i < 40); i++, t += 6 * HOUR)
        write_span(r, t, t + 6 * HOUR);
    b.stop = true;
    for (int i = 0; i < 2; i++)
        pthread_join(threads[i], NULL);
    assert_true(b.rounds >= 2);
    assert_int_equal(b.wrong, 0);
    assert_int_equal(record_logged("busy") + record_logged("another program"), 0);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_long_read_holds_up_no_write_and_sees_one_moment),
        TEST(reading_and_writing_go_on_side_by_side),
    };
    return cmocka_run_group_tests_name("readers", tests, NULL, NULL);
}
