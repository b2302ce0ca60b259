/* absence: why the gateway was away */
#include "check.h"

#include "analysis/absence.h"

#define HOUR INT64_C(3600000)

static struct event_absence judged(struct absence_facts f, bool said)
{
    struct event_absence a = {0};
    assert_int_equal(absence_judge(&f, &a), said);
    return a;
}

static void each_end_has_its_cause(void **state)
{
    (void)state;
    /* seen, ended, the machine's start, now */
    struct event_absence a = judged((struct absence_facts){HOUR, HOUR, 0, 3 * HOUR}, true);
    assert_int_equal(a.cause, ABSENCE_STOPPED);
    assert_near(a.seconds, 7200.0, 1e-9);
    a = judged((struct absence_facts){HOUR, HOUR + 1, 2 * HOUR, 3 * HOUR}, true);
    assert_int_equal(a.cause, ABSENCE_MACHINE_STOPPED);
    a = judged((struct absence_facts){HOUR, 0, 2 * HOUR, 3 * HOUR}, true);
    assert_int_equal(a.cause, ABSENCE_SUPPLY_OUTAGE);
    assert_true(a.probability > 0.5 && a.probability < 0.95); /* or its plug was pulled */
    a = judged((struct absence_facts){2 * HOUR, HOUR, 0, 3 * HOUR}, true);
    assert_int_equal(a.cause, ABSENCE_FAILED);
    assert_int_equal(a.seen_wall_ms, 2 * HOUR);
}

static void a_restart_the_first_run_and_a_clock_set_back_say_nothing(void **state)
{
    (void)state;
    judged((struct absence_facts){3 * HOUR - 30000, 0, 0, 3 * HOUR}, false);
    judged((struct absence_facts){0, 0, HOUR, 3 * HOUR}, false);
    judged((struct absence_facts){3 * HOUR, 0, HOUR, 2 * HOUR}, false);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_end_has_its_cause),
        cmocka_unit_test(a_restart_the_first_run_and_a_clock_set_back_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
