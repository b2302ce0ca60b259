/*
 * The writer is killed at random points, and every promise is looked at after each: the record
 * opens by itself, what was said to be on disk is there (events, readings), nothing is there
 * twice or changed, every piece decodes and its summaries agree.
 *
 * FORETRIP_CUTS (40) kills; FORETRIP_SEED to see one again. What a power cut does to writes
 * that were not synced is not tried here: a killed process leaves them to the kernel.
 */
#include "check.h"
#include "record.h"

#include "store/history.h"

#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define STEP_MS 120000 /* of data to a row: hours and days go by quickly */

/* what the writer says is on disk */
struct said {
    int64_t rows, events;
};

static int32_t amps_of(int64_t row)
{
    return (int32_t)((row / 37 * 7919 + row % 3) % 15000);
}

/* Goes on from what is on disk until it is killed. */
static void write_on(struct record *r, int pipe_fd, struct said begin)
{
    struct frame *f = frame_create(&r->site);
    f->has = 1U << FRAME_AMPS;
    f->values[1] = f->values[2] = 1.0F;
    for (int64_t row = begin.rows, event = begin.events;; row++) {
        f->mono_ms = row * STEP_MS;
        f->wall_ms = r->wall_ms = RECORD_WALL_MS + row * STEP_MS;
        f->values[0] = (float)amps_of(row) / 1000.0F;
        store_add_readings(r->store, f);
        if (row % 5 == 0)
            record_load(r, 0, (int)event++);
        if (store_commit(r->store, f->mono_ms, f->wall_ms) != STORE_OK)
            _exit(1);
        /* the row itself may still be in memory: a block waits up to STORE_READINGS_MS */
        struct said said = {row, event};
        if (write(pipe_fd, &said, sizeof said) != (ssize_t)sizeof said)
            _exit(2);
    }
}

struct count {
    int64_t rows, events;
    bool wrong;
};

static bool see_reading(void *context, int64_t wall_ms, double value)
{
    struct count *c = context;
    c->wrong |= wall_ms != RECORD_WALL_MS + c->rows * STEP_MS ||
                fabs(value - amps_of(c->rows) / 1000.0) > 1e-9;
    c->rows++;
    return true;
}

static bool see_event(void *context, const struct store_event_row *row)
{
    struct count *c = context;
    (void)row;
    c->events++;
    return true;
}

static void say_fault(void *context, const char *sentence)
{
    (void)context;
    print_message("%s\n", sentence);
}

static struct said look(struct record *r, const struct said *said, int cut)
{
    struct count c = {0};
    struct history_check check;
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    assert_int_equal(
        store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX, see_reading, &c), STORE_OK);
    assert_int_equal(store_read_events(r->reader, 0, SIZE_MAX / 2, see_event, &c), STORE_OK);
    if (c.wrong || c.rows < said->rows || c.events < said->events)
        fail_msg("cut %d: %lld rows of %lld, %lld events of %lld, %s", cut, (long long)c.rows,
                 (long long)said->rows, (long long)c.events, (long long)said->events,
                 c.wrong ? "not what was written" : "as written");
    if (cut % 8 == 0) {
        assert_int_equal(history_verify(r->reader, say_fault, NULL, &check), STORE_OK);
        assert_int_equal(check.faults, 0);
    }
    record_close(r);
    return (struct said){c.rows, c.events};
}

static struct said run_and_kill(struct record *r, struct said begin, unsigned delay_us)
{
    int fds[2];
    struct said said = begin, next;
    assert_int_equal(pipe(fds), 0);
    pid_t pid = fork();
    if (pid == 0) {
        close(fds[0]);
        if (record_open(r, (struct store_options){0}) != STORE_OK)
            _exit(3);
        write_on(r, fds[1], begin);
    }
    close(fds[1]);
    /* once it writes; then at any point */
    if (read(fds[0], &next, sizeof next) == (ssize_t)sizeof next)
        said = next;
    usleep(delay_us);
    kill(pid, SIGKILL);
    while (read(fds[0], &next, sizeof next) == (ssize_t)sizeof next)
        said = next;
    close(fds[0]);
    int status;
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFSIGNALED(status));
    return said;
}

static void nothing_said_to_be_kept_is_lost_by_a_kill(void **state)
{
    const char *cuts = getenv("FORETRIP_CUTS"), *seed = getenv("FORETRIP_SEED");
    struct record r;
    struct said kept = {0, 0};
    (void)state;
    srand(seed ? (unsigned)atoi(seed) : 11);
    record_init(&r);
    record_catch_log();
    for (int cut = 0; cut < (cuts ? atoi(cuts) : 40); cut++) {
        struct said said = run_and_kill(&r, kept, (unsigned)rand() % 60000);
        kept = look(&r, &said, cut);
    }
    print_message("%lld rows, %lld events, %lld days, %lld hours\n", (long long)kept.rows,
                  (long long)kept.events,
                  (long long)record_number(&r, "SELECT count(DISTINCT key >> 20) FROM days"),
                  (long long)record_number(&r, "SELECT count(DISTINCT key >> 20) FROM hours"));
    assert_true(record_number(&r, "SELECT count(*) FROM hours") > 0);
    record_finish(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_said_to_be_kept_is_lost_by_a_kill),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
