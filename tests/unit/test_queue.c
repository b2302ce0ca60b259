#include "check.h"

#include <pthread.h>
#include <stdatomic.h>

#include "base/clock.h"
#include "base/queue.h"

#define PRODUCERS 4
#define EACH 2000

static void items_leave_in_the_order_they_came(void **state)
{
    (void)state;
    int items[5];
    struct queue *q = queue_create(3);
    for (int round = 0; round < 4; round++) { /* goes round the ring */
        for (int i = 0; i < 3; i++)
            assert_true(queue_push(q, &items[i]));
        for (int i = 0; i < 3; i++)
            assert_ptr_equal(queue_pop(q, 0), &items[i]);
        assert_true(queue_push(q, &items[4]));
        assert_ptr_equal(queue_pop(q, 0), &items[4]);
    }
    assert_null(queue_pop(q, 0));
    queue_destroy(q);
    queue_destroy(NULL);
}

static void a_full_queue_refuses_and_counts(void **state)
{
    (void)state;
    int a, b, c;
    struct queue *q = queue_create(2);
    assert_true(queue_push(q, &a));
    assert_true(queue_push(q, &b));
    assert_false(queue_push(q, &c));
    assert_false(queue_push(q, &c));
    assert_int_equal(queue_dropped(q), 2);
    assert_int_equal(queue_length(q), 2);
    assert_ptr_equal(queue_pop(q, 0), &a);
    assert_true(queue_push(q, &c));
    assert_ptr_equal(queue_pop(q, 0), &b);
    assert_ptr_equal(queue_pop(q, 0), &c);
    queue_destroy(q);
}

static void an_empty_queue_gives_nothing_and_not_before_its_time(void **state)
{
    (void)state;
    struct queue *q = queue_create(1);
    int64_t before = clock_mono_us();
    assert_null(queue_pop(q, 30));
    assert_true(clock_mono_us() - before >= 29000);
    queue_destroy(q);
}

static void *wake(void *q)
{
    queue_wake(q);
    return NULL;
}

static void waking_ends_a_pop_at_once_also_beforehand(void **state)
{
    (void)state;
    int a;
    pthread_t thread;
    struct queue *q = queue_create(1);
    queue_wake(q);
    assert_null(queue_pop(q, 60000)); /* would run into the test's time limit */
    pthread_create(&thread, NULL, wake, q);
    assert_null(queue_pop(q, 60000));
    pthread_join(thread, NULL);
    queue_wake(q);
    queue_push(q, &a);
    assert_ptr_equal(queue_pop(q, 0), &a); /* an item goes before the call */
    assert_null(queue_pop(q, 60000));
    queue_destroy(q);
}

struct producer {
    struct queue *q;
    int *items;
    atomic_int *refused;
};

static void *produce(void *argument)
{
    struct producer *p = argument;
    for (int i = 0; i < EACH; i++)
        if (!queue_push(p->q, &p->items[i]))
            atomic_fetch_add(p->refused, 1);
    return NULL;
}

static void what_many_producers_push_arrives_once_or_is_counted(void **state)
{
    (void)state;
    static int items[PRODUCERS][EACH];
    static unsigned char seen[PRODUCERS * EACH];
    struct producer producers[PRODUCERS];
    pthread_t threads[PRODUCERS];
    atomic_int refused = 0;
    int arrived = 0, last[PRODUCERS] = {-1, -1, -1, -1};
    struct queue *q = queue_create(64);
    memset(seen, 0, sizeof seen);
    for (int i = 0; i < PRODUCERS; i++) {
        producers[i] = (struct producer){q, items[i], &refused};
        pthread_create(&threads[i], NULL, produce, &producers[i]);
    }
    while (arrived + atomic_load(&refused) < PRODUCERS * EACH) {
        int *item = queue_pop(q, 10);
        if (!item)
            continue;
        int n = (int)(item - items[0]), producer = n / EACH;
        assert_int_equal(seen[n]++, 0);
        assert_true(n % EACH > last[producer]); /* each producer's own order holds */
        last[producer] = n % EACH;
        arrived++;
    }
    for (int i = 0; i < PRODUCERS; i++)
        pthread_join(threads[i], NULL);
    assert_int_equal(queue_dropped(q), atomic_load(&refused));
    assert_int_equal(queue_length(q), 0);
    queue_destroy(q);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(items_leave_in_the_order_they_came),
        cmocka_unit_test(a_full_queue_refuses_and_counts),
        cmocka_unit_test(an_empty_queue_gives_nothing_and_not_before_its_time),
        cmocka_unit_test(waking_ends_a_pop_at_once_also_beforehand),
        cmocka_unit_test(what_many_producers_push_arrives_once_or_is_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
