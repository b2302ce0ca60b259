/* curl_late: a machine without libcurl, and when it comes */
#include "check.h"

#include "notify/courier.h"
#include "notify/curl_late.h"
#include "notify/post.h"
#include "record.h"

#include "base/clock.h"

#include <dlfcn.h>
#include <stdatomic.h>
#include <string.h>

static atomic_bool installed;

/* stands before the C library's: nothing is there until it is installed */
void *dlopen(const char *file, int mode);
void *dlopen(const char *file, int mode)
{
    void *(*real)(const char *, int);
    void *next = dlsym(RTLD_NEXT, "dlopen");
    memcpy(&real, &next, sizeof real); /* POSIX: a function's address fits */
    return atomic_load(&installed) ? real(file, mode) : NULL;
}

static void a_machine_without_it_says_what_to_install(void **state)
{
    const char *why = NULL;
    (void)state;
    assert_null(curl_late(&why));
    assert_string_equal(why, "libcurl.so.4 is missing: install libcurl4");
    assert_null(curl_late(&why)); /* and again */
    assert_string_equal(why, "libcurl.so.4 is missing: install libcurl4");
}

static void a_letter_cannot_begin_and_says_why(void **state)
{
    const struct delivery_person kim = {.id = "kim", .webhook = "http://127.0.0.1:1/"};
    const struct post_letter letter = {.way = POST_WEBHOOK,
                                       .person = &kim,
                                       .site_id = "alder-31",
                                       .site_name = "31 Alder Lane",
                                       .payload = "{}"};
    char why[POST_WHY_SIZE];
    (void)state;
    assert_null(post_create(&letter, why));
    assert_string_equal(why, "libcurl.so.4 is missing: install libcurl4");
}

/* until that is so, or 20 s have passed */
static bool comes(struct courier *c, bool (*so)(const struct courier_status *),
                  struct courier_status *s)
{
    for (int64_t end = clock_mono_ms() + 20000; clock_mono_ms() < end;) {
        courier_get_status(c, s);
        if (so(s))
            return true;
        clock_sleep_until_us(clock_mono_us() + 10000);
    }
    return false;
}

static bool waits_for_the_library(const struct courier_status *s)
{
    return s->waiting == 1 && s->ways_down == 2 && strstr(s->why, "libcurl");
}

static bool has_tried(const struct courier_status *s)
{
    return s->ways_down == 1 && strncmp(s->why, "webhook to Kim: ", 16) == 0 &&
           !strstr(s->why, "libcurl");
}

/* two ways, and a letter for one of them, whose address nobody listens at */
static void letters_wait_for_it_and_go_when_it_is_installed(void **state)
{
    struct record *r = *state;
    struct delivery delivery = {.person_count = 1};
    struct phrases phrases = {0};
    struct courier_status status;
    char why[256];
    struct delivery_person *kim = &delivery.people[0];
    text_copy(kim->id, sizeof kim->id, "kim");
    text_copy(kim->name, sizeof kim->name, "Kim");
    text_copy(kim->mail, sizeof kim->mail, "kim@mill-lane.example");
    text_copy(kim->webhook, sizeof kim->webhook, "http://127.0.0.1:1/");
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_LETTER,
                                                        .topic = "webhook/kim",
                                                        .payload = "{}",
                                                        .qos = 1});
    assert_int_equal(record_turn(r), STORE_OK);
    record_catch_log();
    struct courier *c = courier_start(&(struct courier_options){.delivery = &delivery,
                                                                .phrases = &phrases,
                                                                .site = &r->site,
                                                                .store = r->store,
                                                                .store_path = r->path,
                                                                .retry_first_ms = 10,
                                                                .retry_most_ms = 100},
                                      why, sizeof why);
    assert_non_null(c);
    assert_true(comes(c, waits_for_the_library, &status));
    assert_int_equal(status.expired + status.refused, 0);
    atomic_store(&installed, true);
    assert_true(comes(c, has_tried, &status));
    assert_int_equal(status.waiting, 1);
    courier_stop(c); /* its thread wrote to the log too */
    assert_int_equal(record_logged("libcurl.so.4 is missing: install libcurl4; until then"), 1);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), 1); /* it stays */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_machine_without_it_says_what_to_install),
        cmocka_unit_test(a_letter_cannot_begin_and_says_why),
        cmocka_unit_test_setup_teardown(letters_wait_for_it_and_go_when_it_is_installed,
                                        record_set_up, record_tear_down),
    };
    return cmocka_run_group_tests_name("curl_late", tests, NULL, NULL);
}
