/* chance_minutes DIRECTORY: replays DIRECTORY/readings.csv and prints, for every minute and
 * circuit in which one of them is at least half a percent, the chance of opening within five
 * minutes as it was said at that minute: at the present current held (stay) and all told
 * (outlook). docs/method/reliability.py sets them against what happened. */
#include "analysis/engine.h"
#include "base/text.h"
#include "config/reader.h"
#include "drivers/recorded.h"
#include "drivers/recorded_ahead.h"

#include <stdio.h>

#define SECONDS 300.0
#define LEAST 0.005

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static void say(const struct engine *e, const struct site *s, int64_t wall_ms)
{
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct engine_circuit c;
        engine_glance(e, (int)i, &c);
        if (!(c.amps > 0.25 * s->circuits[i].breaker_amps))
            continue;
        engine_circuit(e, (int)i, &c);
        double outlook = engine_chance(e, (int)i, SECONDS);
        if (c.forecast.chance[1] >= LEAST || outlook >= LEAST)
            printf("%s %lld %.4f %.4f\n", s->circuits[i].id, (long long)(wall_ms / 1000),
                   c.forecast.chance[1], outlook);
    }
}

int main(int argc, char **argv)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text problem = TEXT_INIT, path = TEXT_INIT;
    if (argc != 2 || !config_load(&c, argv[1], &faults)) {
        fputs("usage: chance_minutes DIRECTORY with a usable site.cfg and readings.csv\n",
              stderr);
        return 2;
    }
    text_printf(&path, "%s/readings.csv", argv[1]);
    struct recorded *r = recorded_open(&c.site, text_get(&path), &problem);
    struct engine *e = engine_create(&c.site, &c.rules, &c.signatures, ignore, NULL);
    struct recorded_ahead *ahead = r && e ? recorded_ahead_start(r, &c.site) : NULL;
    const struct frame *const *frames;
    size_t n;
    int64_t minute = 0;
    while (ahead && (n = recorded_ahead_next(ahead, &frames)) > 0)
        for (size_t i = 0; i < n; i++) {
            engine_feed(e, frames[i]);
            if (frames[i]->wall_ms / 60000 != minute) {
                minute = frames[i]->wall_ms / 60000;
                say(e, &c.site, frames[i]->wall_ms);
            }
        }
    int failed = !ahead || recorded_problem(r)[0];
    if (failed)
        fprintf(stderr, "%s\n", r ? recorded_problem(r) : text_get(&problem));
    if (ahead)
        recorded_ahead_stop(ahead);
    engine_destroy(e);
    if (r)
        recorded_close(r);
    text_free(&problem);
    text_free(&path);
    faults_free(&faults);
    config_free(&c);
    return failed;
}
