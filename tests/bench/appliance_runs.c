/*
 * appliance_runs - the runs that the gateway finds in appliances' traces, as features.
 *
 * Standard input holds tapes, one a device: two little-endian int32 (seconds, tape's number)
 * and then that many float32 watts, one a second at 230 V, NaN for no reading. Standard output
 * gets a line for each run that is over: tape, second it began, ampere-seconds, and every
 * feature of model/signature.h on its scale ("nan" when nothing is known); and at the end of a
 * tape one that begins with D: tape, every figure of the day taken whole. Meter noise of 10 mA
 * and 10 mA steps are added, from a fixed seed. docs/method/appliances_fit.py makes the tapes.
 */
#include "analysis/loads_inner.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define VOLTS 230.0
#define NOISE_AMPS 0.01
#define AFTERWARDS 1300 /* seconds, so that every run is over */

static int32_t tape;

static double uniform(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return (double)(*state >> 11) / 9007199254740992.0;
}

static double gaussian(uint64_t *state)
{
    double u = uniform(state) + 1e-12, v = uniform(state);
    return sqrt(-2 * log(u)) * cos(2 * 3.14159265358979 * v);
}

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static void print_run(void *context, int circuit, const struct run *r,
                      const struct run_shape *s, const struct learned_load *load)
{
    float x[SIGNATURE_FEATURES];
    (void)context;
    (void)circuit;
    appliances_features(s, load, VOLTS, NAN, x);
    printf("%d %.0f %.1f", tape, (double)r->began_wall_ms / 1000.0,
           (double)(s->amps * s->on_seconds));
    for (int f = 0; f < SIGNATURE_FEATURES; f++)
        printf(" %.4f", (double)x[f]);
    printf("\n");
}

static void print_day(const struct portrait *p)
{
    float day[SIGNATURE_DAY];
    portrait_day(p, day);
    printf("D %d", tape);
    for (int f = 0; f < SIGNATURE_DAY; f++)
        printf(" %.4f", (double)day[f]);
    printf("\n");
}

static bool play(const float *watts, int32_t seconds)
{
    struct site site;
    struct rules_set rules = {0};
    struct signature_set none = {0};
    uint64_t state = 88172645463325252ULL;
    struct portrait watched = {0};

    site_init(&site);
    site.nominal_volts = VOLTS;
    struct site_panel *p = site_add_panel(&site);
    struct site_circuit *c = p ? site_add_circuit(&site) : NULL;
    if (!c)
        return false;
    strcpy(p->id, "main");
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->poles = 1;
    c->breaker_amps = 16;
    site_finish(&site);
    struct frame *f = frame_create(&site);
    struct loads *l = loads_create(&site, &rules, &none, ignore, NULL);
    if (!f || !l)
        return false;
    loads_observe(l, print_run, NULL);
    for (int32_t t = 0; t < seconds + AFTERWARDS; t++) {
        double w = t < seconds ? (double)watts[t] : 0;
        double amps = w / VOLTS + NOISE_AMPS * gaussian(&state);
        f->mono_ms = f->wall_ms = 1000 * (int64_t)t;
        f->values[0] = isnan(w) ? NAN : (float)(round(100 * fmax(amps, 0)) / 100);
        loads_step(l, f, NULL);
        if (t + 1 == seconds)
            watched = l->circuits[0].portrait;
    }
    /* the runs of all of it, the levels of what was on the tape */
    struct portrait *whole = &l->circuits[0].portrait;
    memcpy(whole->level, watched.level, sizeof whole->level);
    whole->seconds = watched.seconds;
    whole->energy = watched.energy;
    whole->unfaded = 0;
    print_day(whole);
    loads_destroy(l);
    frame_destroy(f);
    site_free(&site);
    return true;
}

int main(void)
{
    int32_t head[2];
    while (fread(head, sizeof head, 1, stdin) == 1) {
        float *watts = head[0] > 0 ? malloc((size_t)head[0] * sizeof *watts) : NULL;
        tape = head[1];
        if (!watts || fread(watts, sizeof *watts, (size_t)head[0], stdin) != (size_t)head[0] ||
            !play(watts, head[0])) {
            fprintf(stderr, "appliance_runs: tape %d is damaged, or memory is short\n", tape);
            return 1;
        }
        free(watts);
    }
    return 0;
}
