#include "trips_rig.h"

#include "check.h"

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static void take(void *context, const struct event *e)
{
    struct house *h = context;
    h->restored += e->type == EVENT_RESTORED;
    if (e->type == EVENT_RESTORED)
        h->restored_wall_ms = e->wall_ms;
    if (e->type == EVENT_RESTORED) {
        h->of[e->circuit].restored++;
        h->of[e->circuit].seconds_open = e->outcome.seconds;
    }
    h->again += e->type == EVENT_OPENED_AGAIN;
    if (e->type == EVENT_TRIP_CORRECTED) {
        h->corrections++;
        h->correction = e->correction;
        snprintf(h->corrected_id, sizeof h->corrected_id, "%s", e->correction.trip);
    }
    if (e->type != EVENT_TRIP)
        return;
    memcpy(h->before, e->trip.before, e->trip.before_count * sizeof h->before[0]);
    h->said[e->trip.stage]++;
    h->last = e->trip;
    h->last_circuit = e->circuit;
    snprintf(h->last_id, sizeof h->last_id, "%s", e->trip.id);
    h->of[e->circuit].told++;
    h->of[e->circuit].stage = e->trip.stage;
    h->of[e->circuit].cause = e->trip.cause;
    h->of[e->circuit].probability = e->trip.probability;
    h->of[e->circuit].upstream = e->trip.upstream;
    h->of[e->circuit].with_count = e->trip.with_count;
    h->of[e->circuit].opened_wall_ms = e->trip.opened_wall_ms;
}

/* two branches in the main panel, a two-pole one, and a shop behind a feeder with two */
void set_up(struct house *h)
{
    static const char *const ids[] = {"hall", "bath", "range", "feed", "saw", "bench"};
    memset(h, 0, sizeof *h);
    struct site *s = &h->site;
    site_init(s);
    s->nominal_volts = 120;
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    p->legs = 2;
    p = site_add_panel(s);
    strcpy(p->id, "shop");
    strcpy(p->fed_by_id, "feed");
    p->legs = 1;
    for (int i = 0; i < 6; i++) {
        struct site_circuit *c = site_add_circuit(s);
        strcpy(c->id, ids[i]);
        c->panel = i >= 4;
        c->poles = i == 2 ? 2 : 1;
        strcpy(c->leg, i == 2 ? "AB" : "A");
        c->breaker_amps = i == 3 ? 60 : 15;
        c->meter = -1;
    }
    site_finish(s);
    assert_true(rules_set_init(&h->rules, s));
    h->breakers = breakers_create(s, &h->rules);
    h->loads = loads_create(s, &h->rules, &h->signatures, ignore, NULL);
    h->trips = trips_create(s, &h->rules, h->breakers, h->loads, take, h);
    h->frame = frame_create(s);
    h->frame->has = 1U << FRAME_AMPS;
}

void tear_down(struct house *h)
{
    trips_destroy(h->trips);
    loads_destroy(h->loads);
    breakers_destroy(h->breakers);
    frame_destroy(h->frame);
    rules_set_free(&h->rules);
    site_free(&h->site);
}

/* the feeder carries what is behind it */
void feed(struct house *h, int seconds, struct amps a)
{
    for (int i = 0; i < seconds; i++, h->second++) {
        float v[] = {a.hall, a.bath, a.range_a, a.range_b, a.saw + a.bench, a.saw, a.bench};
        h->frame->mono_ms = 1000 + h->second * 1000;
        h->frame->wall_ms = WALL0 + h->second * 1000;
        memcpy(h->frame->values, v, sizeof v);
        breakers_step(h->breakers, h->frame);
        trips_step(h->trips, h->frame);
        loads_step(h->loads, h->frame, trips_cut(h->trips));
    }
}

void measure_volts(struct house *h, float volts_a, float volts_b)
{
    h->frame->has |= 1U << FRAME_PANEL_VOLTS;
    for (size_t p = 0; p < h->site.panel_count; p++)
        for (size_t leg = 0; leg < (size_t)h->site.panels[p].legs; leg++)
            h->frame->values[frame_panel_index(h->frame, p, leg)] = p > 0      ? (float)NAN
                                                                    : leg == 0 ? volts_a
                                                                               : volts_b;
}

const struct amps quiet = {.hall = 0.6F, .bath = 2.0F, .bench = 0.4F};

struct amps with(float hall)
{
    struct amps a = quiet;
    a.hall = hall;
    return a;
}

void overload(struct house *h)
{
    feed(h, 3617, quiet);
    feed(h, 40, with(15.1F));
    feed(h, 60, with(29.6F));
}
