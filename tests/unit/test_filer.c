/* filer: what is given is in the store, once it comes back; a store that is away is waited for
 */
#include "check.h"

#include "good_parcel.h"

#include "base/clock.h"
#include "base/text.h"
#include "fleet/filer.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define MOST_MS 30000 /* no test needs it, but on a machine that is very busy */

struct rig {
    char folder[64], path[80];
    struct filer *filer;
    struct pile *piles[2];
};

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    strcpy(r->folder, "/tmp/foretrip-filer-XXXXXX");
    if (!mkdtemp(r->folder))
        return -1;
    snprintf(r->path, sizeof r->path, "%s/fleet.db", r->folder);
    for (int i = 0; i < 2; i++)
        r->piles[i] = calloc(1, sizeof *r->piles[i]);
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    struct rig *r = *state;
    char name[96];
    filer_destroy(r->filer);
    for (int i = 0; i < 3; i++) {
        snprintf(name, sizeof name, "%s%s", r->path, ends[i]);
        unlink(name);
    }
    rmdir(r->folder);
    for (int i = 0; i < 2; i++) {
        pile_clear(r->piles[i]);
        free(r->piles[i]);
    }
    free(r);
    return 0;
}

static void begin(struct rig *r)
{
    r->filer = filer_create(&(struct ledger_options){.where = r->path});
    assert_non_null(r->filer);
}

static void add_good_parcel(struct pile *p)
{
    char why[PARCEL_WHY_SIZE];
    struct pile_item *item = &p->items[p->count++];
    text_copy(item->site, sizeof item->site, "maple-12");
    item->parcel = malloc(sizeof *item->parcel);
    assert_true(item->parcel &&
                parcel_read(item->parcel, "maple-12", good_parcel, strlen(good_parcel), why));
    p->records += item->parcel->count;
}

static struct pile *take_back(struct rig *r)
{
    struct pile *p = NULL;
    for (int64_t end = clock_mono_ms() + MOST_MS; !p && clock_mono_ms() < end;) {
        if (!filer_store_up(r->filer)) /* then the wait is none */
            clock_sleep_until_us(clock_mono_us() + 10000);
        filer_wait(r->filer, 1000);
        p = filer_take_back(r->filer);
    }
    return p;
}

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

static int64_t filed(const struct rig *r)
{
    char why[SQL_WHY_SIZE];
    int64_t n = -1;
    struct sql *s = sql_open(r->path, why);
    assert_non_null(s);
    assert_int_equal(
        sql_query(s, "SELECT count(*) FROM records", NULL, 0, see_number, &n, NULL), SQL_FINE);
    sql_close(s);
    return n;
}

static void what_comes_back_is_in_the_store(void **state)
{
    struct rig *r = *state;
    struct filer_counts counts;
    begin(r);
    add_good_parcel(r->piles[0]);
    r->piles[0]->tag = 7;
    assert_true(filer_give(r->filer, r->piles[0]));
    assert_ptr_equal(take_back(r), r->piles[0]);
    assert_int_equal(filed(r), 3);
    pile_clear(r->piles[0]);
    assert_int_equal(r->piles[0]->tag, 7);
    assert_null(filer_take_back(r->filer));
    filer_get_counts(r->filer, &counts);
    assert_int_equal(counts.taken.records, 3);
    assert_int_equal(counts.transactions, 1);
}

static void it_has_one_pile_at_a_time(void **state)
{
    struct rig *r = *state;
    begin(r);
    for (int i = 0; i < 2; i++)
        add_good_parcel(r->piles[i]);
    assert_true(filer_give(r->filer, r->piles[0]));
    assert_false(filer_give(r->filer, r->piles[1])); /* nor before it was taken back */
    assert_ptr_equal(take_back(r), r->piles[0]);
    assert_true(filer_give(r->filer, r->piles[1]));
    assert_ptr_equal(take_back(r), r->piles[1]);
    assert_int_equal(filed(r), 3); /* the same ones again */
}

static void a_pile_waits_for_a_store_that_is_away(void **state)
{
    struct rig *r = *state;
    struct pile *back;
    assert_int_equal(rmdir(r->folder), 0);
    begin(r);
    add_good_parcel(r->piles[0]);
    assert_true(filer_give(r->filer, r->piles[0]));
    assert_false(filer_store_up(r->filer));
    assert_null(filer_take_back(r->filer));
    assert_int_equal(mkdir(r->folder, 0700), 0);
    back = take_back(r);
    assert_ptr_equal(back, r->piles[0]);
    assert_true(filer_store_up(r->filer));
    assert_int_equal(filed(r), 3);
}

static void what_was_given_is_filed_at_the_end(void **state)
{
    struct rig *r = *state;
    begin(r);
    for (int64_t end = clock_mono_ms() + MOST_MS;
         !filer_store_up(r->filer) && clock_mono_ms() < end;)
        clock_sleep_until_us(clock_mono_us() + 10000);
    add_good_parcel(r->piles[0]);
    assert_true(filer_give(r->filer, r->piles[0]));
    filer_destroy(r->filer);
    r->filer = NULL;
    assert_int_equal(filed(r), 3);
}

struct asked {
    int count;
    int64_t after, to;
};

static void note_gap(void *context, const char *site, int64_t after, int64_t to)
{
    struct asked *a = context;
    assert_string_equal(site, "maple-12");
    *a = (struct asked){a->count + 1, after, to};
}

static void gaps_are_brought_up_while_there_is_a_line(void **state)
{
    struct rig *r = *state;
    char why[SQL_WHY_SIZE];
    struct asked asked = {0};
    struct ledger_taken taken = {0};
    struct ledger *l = ledger_open(&(struct ledger_options){.where = r->path}, why);
    assert_non_null(l);
    add_good_parcel(r->piles[0]); /* for the numbers above 10; up to 10 nothing came */
    const struct ledger_item item = {.site = "maple-12",
                                     .parcel = r->piles[0]->items[0].parcel};
    assert_int_equal(
        ledger_take(l, &item, 1, clock_wall_ms() - 2 * (int64_t)LEDGER_GAP_MS, &taken),
        SQL_FINE);
    ledger_close(l);
    begin(r);
    filer_note_line(r->filer, true);
    for (int64_t end = clock_mono_ms() + MOST_MS; asked.count == 0 && clock_mono_ms() < end;) {
        clock_sleep_until_us(clock_mono_us() + 10000);
        filer_take_gaps(r->filer, note_gap, &asked);
    }
    assert_int_equal(asked.count, 1);
    assert_int_equal(asked.after, 0);
    assert_int_equal(asked.to, 10);
    filer_take_gaps(r->filer, note_gap, &asked);
    assert_int_equal(asked.count, 1); /* once */
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(what_comes_back_is_in_the_store),
        TEST(it_has_one_pile_at_a_time),
        TEST(a_pile_waits_for_a_store_that_is_away),
        TEST(what_was_given_is_filed_at_the_end),
        TEST(gaps_are_brought_up_while_there_is_a_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
