/*
 * The writer is cut at random points, and every promise is looked at after each: the record
 * opens by itself, what was said to be on disk is there (every event that a reader was shown or
 * that a commit took, every reading older than 10 s), nothing is there twice or changed, every
 * piece decodes and its summaries agree.
 *
 * Two ways to be cut: SIGKILL, which leaves what was written to the kernel, and a power cut
 * (card.h), which loses what was not synced, or keeps any part of it.
 *
 * FORETRIP_CUTS kills and power cuts (40, 400); FORETRIP_SEED to see one again.
 */
#include "card.h"
#include "check.h"
#include "record.h"

#include "store/history.h"

#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define JUMP_ROWS 200 /* a row a second, then nearly an hour later: hours and days go by */
#define JUMP_MS 3300000
#define EVENT_ROWS 7
#define LOST_ROWS (STORE_READINGS_MS / 1000) /* that a cut may cost */

/* What was reached: by the writer as said, on disk as found. */
struct reached {
    int64_t rows, events;
    int64_t shown; /* events that a reader saw while the writer went on */
};

struct cuts {
    struct record r;
    struct frame *f;
    struct reached kept;  /* on disk after the last cut */
    int64_t checked_rows; /* looked at before */
    int64_t checked_seq;  /* of events */
    int64_t worst_lost_rows;
};

static int64_t wall_of(int64_t row)
{
    return RECORD_WALL_MS + row * 1000 + row / JUMP_ROWS * JUMP_MS;
}

static int32_t amps_of(int64_t row)
{
    return (int32_t)((row / 37 * 7919 + row % 3) % 15000);
}

static void cuts_init(struct cuts *c)
{
    const char *seed = getenv("FORETRIP_SEED");
    *c = (struct cuts){0};
    srand(seed ? (unsigned)atoi(seed) : 11);
    record_init(&c->r);
    record_catch_log();
    c->f = frame_create(&c->r.site);
    c->f->has = 1U << FRAME_AMPS;
    c->f->values[1] = c->f->values[2] = 1.0F;
}

static void cuts_finish(struct cuts *c)
{
    frame_destroy(c->f);
    record_finish(&c->r);
}

static int cuts_wanted(int usual)
{
    const char *cuts = getenv("FORETRIP_CUTS");
    return cuts ? atoi(cuts) : usual;
}

/* ---- writing ---- */

/* the next row, an event now and then, the commit */
static enum store_err write_row(struct cuts *c, struct reached *to)
{
    struct record *r = &c->r;
    c->f->mono_ms = r->mono_ms = to->rows * 1000;
    c->f->wall_ms = r->wall_ms = wall_of(to->rows);
    c->f->values[0] = (float)amps_of(to->rows) / 1000.0F;
    store_add_readings(r->store, c->f);
    bool event = to->rows % EVENT_ROWS == 0;
    if (event)
        record_load(r, 0, (int)to->events);
    enum store_err err = store_commit(r->store, r->mono_ms, r->wall_ms);
    to->rows++;
    if (!err && event)
        to->events++;
    return err;
}

/* ---- looking ---- */

struct seen {
    int64_t rows, events, seq;
    bool wrong;
};

static bool see_reading(void *context, int64_t wall_ms, double value)
{
    struct seen *s = context;
    s->wrong |= wall_ms != wall_of(s->rows) || fabs(value - amps_of(s->rows) / 1000.0) > 1e-9;
    s->rows++;
    return true;
}

static bool see_event(void *context, const struct store_event_row *row)
{
    struct seen *s = context;
    char wanted[32];
    snprintf(wanted, sizeof wanted, "\"amps\":%lld", (long long)s->events);
    const char *at = strstr(row->json, wanted);
    char after = at ? at[strlen(wanted)] : '0';
    s->wrong |= row->seq <= s->seq || (after >= '0' && after <= '9');
    s->seq = row->seq;
    s->events++;
    return true;
}

static void say_fault(void *context, const char *sentence)
{
    (void)context;
    print_message("%s\n", sentence);
}

/* opens what the cut has left; what was looked at before is looked at again now and then */
static void look(struct cuts *c, const struct reached *said, int cut)
{
    struct record *r = &c->r;
    struct history_check check;
    if (cut % 20 == 0)
        c->checked_rows = 0;
    struct seen s = {c->checked_rows, c->kept.events, c->checked_seq, false};
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    assert_int_equal(store_read_span(r->reader, "cellar-01.amps", wall_of(c->checked_rows),
                                     INT64_MAX / 64, see_reading, &s),
                     STORE_OK);
    assert_int_equal(store_read_events(r->reader, s.seq, SIZE_MAX / 2, see_event, &s),
                     STORE_OK);
    if (s.wrong || s.rows < said->rows - LOST_ROWS || s.events < said->events ||
        s.events < said->shown || s.events > said->events + 1)
        fail_msg("cut %d: %lld rows of %lld, %lld events of %lld (shown: %lld), %s", cut,
                 (long long)s.rows, (long long)said->rows, (long long)s.events,
                 (long long)said->events, (long long)said->shown,
                 s.wrong ? "not what was written" : "as written");
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), s.events);
    assert_int_equal(record_logged("set aside"), 0);
    if (cut % 8 == 0) {
        assert_int_equal(history_verify(r->reader, say_fault, NULL, &check), STORE_OK);
        assert_int_equal(check.faults, 0);
    }
    if (said->rows - s.rows > c->worst_lost_rows)
        c->worst_lost_rows = said->rows - s.rows;
    /* the writer goes on behind what was kept */
    c->kept = (struct reached){s.rows, s.events, s.events};
    c->checked_rows = s.rows > 2 * JUMP_ROWS ? s.rows - 2 * JUMP_ROWS : 0;
    c->checked_seq = s.seq;
    record_close(r);
}

static bool packed(struct cuts *c)
{
    return record_number(&c->r, "SELECT count(*) FROM hours") > 0;
}

static void say_how_it_went(struct cuts *c, int cuts)
{
    print_message("%d cuts: %lld rows, %lld events, %lld days, at most %lld rows lost\n", cuts,
                  (long long)c->kept.rows, (long long)c->kept.events,
                  (long long)record_number(&c->r, "SELECT count(DISTINCT key >> 20) FROM days"),
                  (long long)c->worst_lost_rows);
    assert_true(packed(c));
}

/* ---- killed ---- */

static void write_until_killed(struct cuts *c, int pipe_fd)
{
    struct reached at = c->kept;
    if (record_open(&c->r, (struct store_options){0}) != STORE_OK)
        _exit(3);
    while (write_row(c, &at) == STORE_OK)
        if (write(pipe_fd, &at, sizeof at) != (ssize_t)sizeof at)
            _exit(2);
    _exit(1);
}

static struct reached run_and_kill(struct cuts *c, unsigned delay_us)
{
    int fds[2], status;
    struct reached said = c->kept, next;
    assert_int_equal(pipe(fds), 0);
    pid_t pid = fork();
    if (pid == 0) {
        close(fds[0]);
        write_until_killed(c, fds[1]);
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
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFSIGNALED(status));
    return said;
}

static void nothing_said_to_be_kept_is_lost_by_a_kill(void **state)
{
    struct cuts c;
    int cuts = cuts_wanted(40), cut = 0;
    (void)state;
    cuts_init(&c);
    for (; cut < cuts || (cut < 10 * cuts && !packed(&c)); cut++) { /* on a busy machine more */
        struct reached said = run_and_kill(&c, (unsigned)rand() % 60000);
        look(&c, &said, cut);
    }
    say_how_it_went(&c, cut);
    cuts_finish(&c);
}

/* ---- without power ---- */

/* the writer, and beside it a reader, as delivery is one */
static struct reached run_until_dark(struct cuts *c)
{
    struct reached at = c->kept, said = c->kept;
    enum store_err err = record_open(&c->r, (struct store_options){0});
    struct seen s = {0, c->kept.events, c->checked_seq, false};
    while (!err) {
        err = write_row(c, &at);
        if (!err)
            said = (struct reached){at.rows, at.events, said.shown};
        if (!err && at.rows % 5 == 0)
            assert_int_equal(store_read_events(c->r.reader, s.seq, SIZE_MAX / 2, see_event, &s),
                             STORE_OK);
        said.shown = s.events;
    }
    assert_true(card_is_dead());
    record_close(&c->r);
    return said;
}

static void nothing_said_to_be_kept_is_lost_with_the_power(void **state)
{
    struct cuts c;
    int cuts = cuts_wanted(400);
    (void)state;
    cuts_init(&c);
    card_insert();
    for (int cut = 0; cut < cuts; cut++) {
        card_cut_after(rand() % 1200);
        struct reached said = run_until_dark(&c);
        card_power_on((unsigned)rand());
        look(&c, &said, cut);
    }
    say_how_it_went(&c, cuts);
    card_remove();
    cuts_finish(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_said_to_be_kept_is_lost_by_a_kill),
        cmocka_unit_test(nothing_said_to_be_kept_is_lost_with_the_power),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
