/* curl_late: a machine without libcurl */
#include "check.h"

#include "notify/curl_late.h"
#include "notify/post.h"

/* stands in for the C library's: nothing is there */
void *dlopen(const char *file, int mode);
void *dlopen(const char *file, int mode)
{
    (void)file;
    (void)mode;
    return NULL;
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_machine_without_it_says_what_to_install),
        cmocka_unit_test(a_letter_cannot_begin_and_says_why),
    };
    return cmocka_run_group_tests_name("curl_late", tests, NULL, NULL);
}
