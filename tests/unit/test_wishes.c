/* wishes: what other programs leave in the record for the gateway */
#include "check.h"

#include "store/reader.h"
#include "store/wishes.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

struct bench {
    char directory[64], path[96];
    struct store *store;
    struct store_reader *reader;
    char said[512];
};

static int set_up(void **state)
{
    struct bench *b = calloc(1, sizeof *b);
    strcpy(b->directory, "/tmp/foretrip-wishes-XXXXXX");
    assert_non_null(mkdtemp(b->directory));
    snprintf(b->path, sizeof b->path, "%s/a.db", b->directory);
    struct store_options o = {.path = b->path};
    enum store_err err;
    b->store = store_open(&o, 0, &err);
    assert_int_equal(err, STORE_OK);
    b->reader = store_reader_open(b->path);
    *state = b;
    return 0;
}

static int tear_down(void **state)
{
    static const char *const endings[] = {"", "-wal", "-shm"};
    struct bench *b = *state;
    store_reader_close(b->reader);
    store_close(b->store);
    for (size_t i = 0; i < 3; i++) {
        char path[128];
        snprintf(path, sizeof path, "%s%s", b->path, endings[i]);
        unlink(path);
    }
    rmdir(b->directory);
    free(b);
    return 0;
}

static bool say(void *context, const char *key, const char *value, int64_t wall_ms)
{
    struct bench *b = context;
    size_t n = strlen(b->said);
    snprintf(b->said + n, sizeof b->said - n, "%s=%s@%d;", key, value, (int)wall_ms);
    return true;
}

static const char *wishes(struct bench *b)
{
    b->said[0] = '\0';
    assert_int_equal(store_read_wishes(b->reader, say, b), STORE_OK);
    return b->said;
}

static void a_wish_is_read_and_dropped(void **state)
{
    struct bench *b = *state;
    store_add_state(b->store, "learned", "x", 1, 1);
    assert_int_equal(store_commit(b->store, 1, 1), STORE_OK);
    assert_string_equal(wishes(b), ""); /* what the engine keeps is no wish */
    assert_int_equal(wishes_add(b->path, WISH_NAME "main-07/3", "Kettle", 5), STORE_OK);
    assert_int_equal(wishes_add(b->path, WISH_NAME "main-07/4", "", 6), STORE_OK);
    assert_string_equal(wishes(b), "wish:name:main-07/3=Kettle@5;wish:name:main-07/4=@6;");
    assert_int_equal(wishes_drop(b->path, WISH_NAME "main-07/3", 5), STORE_OK);
    assert_string_equal(wishes(b), "wish:name:main-07/4=@6;");
}

static void a_later_wish_is_not_dropped_with_the_earlier(void **state)
{
    struct bench *b = *state;
    assert_int_equal(wishes_add(b->path, WISH_NAME "a/1", "Kettle", 5), STORE_OK);
    assert_int_equal(wishes_add(b->path, WISH_NAME "a/1", "Tea", 7), STORE_OK);
    assert_int_equal(wishes_drop(b->path, WISH_NAME "a/1", 5), STORE_OK);
    assert_string_equal(wishes(b), "wish:name:a/1=Tea@7;");
}

static void no_record_is_made_for_a_wish(void **state)
{
    struct bench *b = *state;
    char path[128];
    snprintf(path, sizeof path, "%s/none.db", b->directory);
    assert_int_equal(wishes_add(path, WISH_NAME "a/1", "Kettle", 5), STORE_ERR_OPEN);
    assert_int_not_equal(access(path, F_OK), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_wish_is_read_and_dropped, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_later_wish_is_not_dropped_with_the_earlier, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(no_record_is_made_for_a_wish, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
