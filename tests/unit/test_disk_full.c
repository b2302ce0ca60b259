/*
 * A disk that runs full under the record: events are kept, the oldest readings make room, and
 * it is said. Once on a card with a small bound (card.h), and once on a file system of its own,
 * which is mounted for this process alone; where that is not allowed the second is skipped.
 */
#include "card.h"
#include "check.h"
#include "record.h"

#include "store/history.h"

#include <errno.h>
#include <fcntl.h>
#include <sched.h>
#include <stdlib.h>
#include <sys/mount.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define HOUR INT64_C(3600000)
#define SMALL_DISK (33 * 1024 * 1024)
#define FLOOR_BYTES (8 * 1024 * 1024)

struct disk {
    struct record r;
    struct frame *f;
    int64_t hour; /* next to write */
    int events;
    uint32_t seed;
};

static void disk_init(struct disk *d)
{
    *d = (struct disk){.seed = 9};
    record_init(&d->r);
    record_catch_log();
    d->f = frame_create(&d->r.site);
    d->f->has = 1U << FRAME_AMPS | 1U << FRAME_WATTS | 1U << FRAME_VOLTS;
}

static void disk_finish(struct disk *d)
{
    frame_destroy(d->f);
    record_finish(&d->r);
    record_catch_log();
}

/* An hour of noise, which hardly packs: some 25 KiB; and two events. */
static void write_hour(struct disk *d)
{
    struct record *r = &d->r;
    for (int i = 0; i < 600; i++) {
        d->seed = d->seed * 1664525U + 1013904223U;
        d->f->wall_ms = RECORD_WALL_MS + d->hour * HOUR + i * 1000;
        d->f->mono_ms = r->mono_ms += 1000;
        for (int v = 0; v < 9; v++) /* amps, watts, volts of three poles */
            d->f->values[v] = (float)(d->seed >> (v % 8) & 0xffffff) / (v < 3   ? 1000.0F
                                                                        : v < 6 ? 10.0F
                                                                                : 100.0F);
        store_add_readings(r->store, d->f);
        if (i % 300 == 0)
            record_load(r, 0, d->events++);
        r->wall_ms = d->f->wall_ms;
        if (i % 60 == 59)
            store_commit(r->store, r->mono_ms, r->wall_ms);
    }
    d->hour++;
}

static void say_fault(void *context, const char *sentence)
{
    (void)context;
    print_message("%s\n", sentence);
}

/* after much more than fits has been written */
static void assert_it_went_as_promised(struct disk *d)
{
    struct record *r = &d->r;
    struct store_status status;
    struct history_check check;
    int64_t from, to;
    for (int i = 0; i < 30; i++) { /* what may still wait for the next try */
        record_turn(r);
        store_get_status(r->store, &status);
    }
    assert_int_equal(status.lost_records, 0);
    assert_int_equal(status.waiting_records, 0);
    assert_true(status.dropped_days > 0);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), d->events);
    assert_true(record_logged("before their age") > 0);
    assert_int_equal(history_ends(r->reader, &from, &to), STORE_OK);
    assert_true(from > RECORD_WALL_MS);                      /* the oldest are gone, */
    assert_true(to > RECORD_WALL_MS + (d->hour - 1) * HOUR); /* the newest are there */
    assert_int_equal(history_verify(r->reader, say_fault, NULL, &check), STORE_OK);
    assert_int_equal(check.faults, 0);
}

/* what another program leaves is nothing, at some moment of the record's life */
static void a_full_card_keeps_events_and_gives_up_the_oldest_readings(void **state)
{
    struct disk d;
    (void)state;
    disk_init(&d);
    card_insert();
    assert_int_equal(record_open(&d.r, (struct store_options){.reserve = true}), STORE_OK);
    while (d.hour < 24 * 8)
        write_hour(&d);
    card_fill(1);
    while (d.hour < 24 * 20)
        write_hour(&d);
    assert_true(record_logged("held in reserve is used") > 0);
    assert_it_went_as_promised(&d);
    record_close(&d.r);
    card_remove();
    disk_finish(&d);
}

/* ---- a real one ---- */

static int64_t free_bytes(const char *path)
{
    struct statvfs v;
    assert_int_equal(statvfs(path, &v), 0);
    return (int64_t)(v.f_bavail * v.f_frsize);
}

/* another program that takes what is left */
static void fill_up(const struct disk *d)
{
    char path[128], bytes[4096] = {0};
    snprintf(path, sizeof path, "%s/other", d->r.folder);
    int fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    while (write(fd, bytes, sizeof bytes) > 0)
        ;
    close(fd);
    assert_int_equal(free_bytes(d->r.folder), 0);
}

/* for this process alone; it goes with it */
static bool mount_small_disk(const char *folder)
{
    char size[32];
    snprintf(size, sizeof size, "size=%d", SMALL_DISK);
    return unshare(CLONE_NEWNS | (geteuid() ? CLONE_NEWUSER : 0)) == 0 &&
           mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) == 0 &&
           mount("none", folder, "tmpfs", 0, size) == 0;
}

static void on_a_small_disk_readings_make_way_below_the_floor_and_when_it_is_full(void **state)
{
    struct disk d;
    struct store_status status;
    (void)state;
    disk_init(&d);
    if (!mount_small_disk(d.r.folder)) {
        print_message("no file system may be mounted here: %s\n", strerror(errno));
        disk_finish(&d);
        skip();
    }
    const struct store_options options = {.floor_bytes = FLOOR_BYTES, .reserve = true};
    assert_int_equal(record_open(&d.r, options), STORE_OK);
    while (d.hour < 24 * 35)
        write_hour(&d);
    assert_true(record_logged("below its floor") > 0);
    assert_int_equal(record_logged("the disk is full"), 0); /* it never came to that */
    assert_it_went_as_promised(&d);
    store_get_status(d.r.store, &status);
    assert_true(status.short_of_room);
    assert_true(free_bytes(d.r.folder) > FLOOR_BYTES / 2);

    /* not even the log has room, after a restart */
    record_close(&d.r);
    fill_up(&d);
    record_open(&d.r, options);
    while (d.hour < 24 * 42)
        write_hour(&d);
    assert_int_equal(record_logged("held in reserve is used"), 1);
    assert_it_went_as_promised(&d);

    char other[128];
    snprintf(other, sizeof other, "%s/other", d.r.folder);
    assert_int_equal(unlink(other), 0);
    record_close(&d.r);
    assert_int_equal(umount2(d.r.folder, MNT_DETACH), 0);
    disk_finish(&d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_full_card_keeps_events_and_gives_up_the_oldest_readings),
        cmocka_unit_test(on_a_small_disk_readings_make_way_below_the_floor_and_when_it_is_full),
    };
    return cmocka_run_group_tests_name("disk full", tests, NULL, NULL);
}
