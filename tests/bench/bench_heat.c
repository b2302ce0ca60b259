/* bench_heat: what one reading of one circuit costs in heat, every circuit loaded and changing
 * at each reading (the quiet way is not taken), against the bare arithmetic: the sixteen states
 * and their running maximum alone, in floats, four side by side, nothing else asked. Least of
 * several rounds, because the machine is shared. */
#include "analysis/breaker.h"
#include "base/lanes.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define CIRCUITS 1000
#define HOME 42
#define READINGS 200000 /* a round */
#define ROUNDS 15
#define WANTED_NS 15.0
#define STATES 16

static double now_seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void set_up(int circuits, struct site *site, struct rules_set *rules)
{
    site_init(site);
    site->standard = SITE_UL489;
    struct site_panel *p = site_add_panel(site);
    strcpy(p->id, "main");
    p->legs = 1;
    for (int i = 0; i < circuits; i++) {
        struct site_circuit *c = site_add_circuit(site);
        snprintf(c->id, sizeof c->id, "c%d", i);
        strcpy(c->leg, "A");
        c->panel = 0;
        c->poles = 1;
        c->breaker_amps = i % 2 ? 15 : 20;
    }
    site_finish(site);
    if (!rules_set_init(rules, site))
        exit(1);
}

/* ns per reading and circuit of the whole module; quiet: a steady half of it is cheap */
static double module_ns(int circuits, bool loaded)
{
    double least = (double)INFINITY;
    struct site site;
    struct rules_set rules;
    set_up(circuits, &site, &rules);
    struct breakers *b = breakers_create(&site, &rules);
    struct frame *f = frame_create(&site);
    int frames = READINGS / circuits;
    if (!b || !f)
        exit(1);
    f->has = 1U << FRAME_AMPS;
    for (int r = 0; r < ROUNDS; r++) {
        double began = now_seconds();
        for (int n = 0; n < frames; n++) {
            f->mono_ms += 1000;
            f->wall_ms += 1000;
            for (size_t i = 0; i < f->poles; i++)
                f->values[i] = loaded ? 9.0F + 0.01F * (float)((n * 7 + (int)i) % 300)
                                      : 2.0F + 0.001F * (float)((n + (int)i) % 5);
            breakers_step(b, f);
        }
        least = fmin(least, (now_seconds() - began) * 1e9 / frames / circuits);
    }
    breakers_destroy(b);
    frame_destroy(f);
    rules_set_free(&rules);
    site_free(&site);
    return least;
}

/* the arithmetic alone: h <- q + (h - q) e and its running maximum */
static double limit_ns(void)
{
    static float h[CIRCUITS][STATES], top[CIRCUITS][STATES], e[STATES];
    double least = (double)INFINITY;
    for (int i = 0; i < STATES; i++)
        e[i] = (float)exp(-1.0 / (5.0 * pow(1.4, i)));
    for (int r = 0; r < ROUNDS; r++) {
        double began = now_seconds();
        for (int n = 0; n < READINGS / CIRCUITS; n++)
            for (int c = 0; c < CIRCUITS; c++) {
                float amps = 9.0F + 0.01F * (float)((n * 7 + c) % 300);
                lanes q = {0};
                q += amps * amps / 225.0F;
                for (int i = 0; i < STATES; i += LANES) {
                    lanes x = lanes_load(h[c] + i), most = lanes_load(top[c] + i);
                    x = q + (x - q) * lanes_load(e + i);
                    lanes_store(h[c] + i, x);
                    lanes_store(top[c] + i, lanes_choose(x > most, x, most));
                }
            }
        least = fmin(least, (now_seconds() - began) * 1e9 / READINGS);
    }
    float sum = 0.0F; /* so that nothing of it may be left out */
    for (int c = 0; c < CIRCUITS; c++)
        sum += top[c][0];
    return sum > 0.0F ? least : 0.0;
}

int main(void)
{
    double home = module_ns(HOME, true), loaded = module_ns(CIRCUITS, true);
    double quiet = module_ns(CIRCUITS, false), limit = limit_ns();
    printf("heat of one reading and circuit, ns (wanted at most %.0f): %.1f loaded among %d "
           "circuits, %.1f among %d, "
           "%.1f when quiet\n",
           WANTED_NS, home, HOME, loaded, CIRCUITS, quiet);
    printf("the arithmetic of 16 states and their maximum alone, floats: %.1f\n", limit);
    printf("10,000 circuits at 1 Hz: %.3f %% of a core when all are loaded, %.4f %% when all "
           "are quiet\n",
           1e-3 * loaded, 1e-3 * quiet);
    return 0;
}
