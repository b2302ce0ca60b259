/* breaker: forecasts, learning, gaps, verdicts, state */
#include "check.h"

#include "analysis/breaker.h"

struct bench {
    struct site site;
    struct rules_set rules;
    struct frame *frame;
    struct breakers *b;
};

static void set_up(struct bench *t, enum site_standard standard, double amps, char type)
{
    site_init(&t->site);
    t->site.standard = standard;
    strcpy(site_add_panel(&t->site)->id, "main");
    struct site_circuit *c = site_add_circuit(&t->site);
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->poles = 1;
    c->breaker_amps = amps;
    c->type = type;
    site_finish(&t->site);
    assert_true(rules_set_init(&t->rules, &t->site));
    t->frame = frame_create(&t->site);
    t->frame->has = 1;
    t->b = breakers_create(&t->site, &t->rules);
    assert_non_null(t->b);
}

static void tear_down(struct bench *t)
{
    breakers_destroy(t->b);
    frame_destroy(t->frame);
    rules_set_free(&t->rules);
    site_free(&t->site);
}

static void feed(struct bench *t, double amps, int seconds)
{
    for (int i = 0; i < seconds; i++) {
        t->frame->mono_ms += 1000;
        t->frame->wall_ms += 1000;
        t->frame->values[0] = (float)amps;
        breakers_step(t->b, t->frame);
    }
}

static void a_rest_forecasts_nothing_and_an_overload_something(void **state)
{
    struct bench t;
    struct breaker_forecast f;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 0.0, 600);
    breakers_forecast(t.b, 0, 7.5, &f);
    assert_true(f.chance[3] < 0.03 && isinf(f.p50_seconds));
    breakers_forecast(t.b, 0, 30.0, &f); /* UL 489: 200 % opens within 2 minutes */
    assert_true(f.chance[3] > 0.9);
    assert_true(f.p50_seconds < 120.0 && f.p05_seconds < f.p50_seconds &&
                f.p50_seconds < f.p95_seconds);
    feed(&t, 18.0, 60);
    double early = breakers_heat(t.b, 0);
    feed(&t, 18.0, 60);
    assert_true(breakers_heat(t.b, 0) > early);
    breakers_forecast(t.b, 0, 18.0, &f);
    assert_true(f.chance[0] < f.chance[1] && f.chance[1] < f.chance[2] &&
                f.chance[2] < f.chance[3]);
    tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rest_forecasts_nothing_and_an_overload_something),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
