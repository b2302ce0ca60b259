/*
 * readings - what bench_replay.sh needs: a recording of any size, and the reader by itself.
 *
 *     readings make DIR CIRCUITS ROWS     DIR/site.cfg and DIR/readings.csv
 *     readings parse DIR                  reads it, one line: seconds, readings
 *
 * The circuits have a standing load, appliances that come and go, a heater sometimes, noise of
 * 10 mA on every reading and lost polls: nothing stands still, nothing is too easy.
 */
#include "base/clock.h"
#include "config/reader.h"
#include "drivers/recorded.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t state = 1;

static uint64_t next_random(void) /* splitmix64, public domain (Vigna) */
{
    uint64_t z = (state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

static double uniform(void)
{
    return (double)(next_random() >> 11) / 9007199254740992.0;
}

struct load {
    double amps;
    long until; /* second of the next switching */
    bool on;
};

#define LOADS 3

static double load_at(struct load *l, long second)
{
    if (second >= l->until) {
        l->on = !l->on;
        l->amps = uniform() < 0.1 ? 5.0 + 6.0 * uniform() : 0.2 + 1.5 * uniform();
        l->until = second + 60 + (long)(3600 * uniform() * (l->on ? 0.3 : 1.5));
    }
    return l->on ? l->amps : 0.0;
}

static int make(const char *dir, int circuits, long rows)
{
    char path[1024];
    snprintf(path, sizeof path, "%s/site.cfg", dir);
    FILE *site = fopen(path, "w");
    snprintf(path, sizeof path, "%s/readings.csv", dir);
    FILE *csv = site ? fopen(path, "w") : NULL;
    struct load(*loads)[LOADS] = calloc((size_t)circuits, sizeof *loads);
    if (!csv || !loads) {
        perror(path);
        return 1;
    }
    fputs(
        "site = { id = \"bench\"; name = \"Bench\"; timezone = \"UTC\"; standard = \"UL489\"; "
        "nominal_volts = 120.0; };\npanels = ( { id = \"main\"; name = \"Main\"; legs = 1; "
        "rating_amps = 200; } );\ncircuits = (\n",
        site);
    fputs("time", csv);
    for (int c = 1; c <= circuits; c++) {
        fprintf(
            site,
            "  { id = \"main-%d\"; panel = \"main\"; position = \"%d\"; name = \"Circuit %d\"; "
            "poles = 1; leg = \"A\"; breaker_amps = 20; }%s\n",
            c, c, c, c < circuits ? "," : "");
        fprintf(csv, ",main-%d.amps", c);
    }
    fputs(");\n", site);
    fputs(",main.volts_a\n", csv);
    for (long t = 0; t < rows; t++) {
        fprintf(csv, "%ld", 1767225600 + t);
        for (int c = 0; c < circuits; c++) {
            double amps = c % 3 == 0 ? 0.0 : 0.1 * (c % 7);
            for (int k = 0; k < LOADS; k++)
                amps += load_at(&loads[c][k], t);
            if (uniform() < 0.002)
                fputc(',', csv);
            else
                fprintf(csv, ",%.2f", amps + 0.02 * (uniform() - 0.5));
        }
        fprintf(csv, ",%.1f\n", 121.0 + uniform());
    }
    free(loads);
    return fclose(site) || fclose(csv);
}

static int parse(const char *dir)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text problem = TEXT_INIT;
    struct frame *frames[256];
    char path[1024];
    snprintf(path, sizeof path, "%s/readings.csv", dir);
    if (!config_load(&c, dir, &faults))
        return 1;
    for (int i = 0; i < 256; i++)
        if (!(frames[i] = frame_create(&c.site)))
            return 1;
    int64_t begun_us = clock_mono_us();
    struct recorded *r = recorded_open(&c.site, path, &problem);
    if (!r)
        return 1;
    while (recorded_read(r, frames, 256) > 0)
        ;
    struct recorded_counts n;
    recorded_counts(r, &n);
    printf("%.6f %llu\n", (double)(clock_mono_us() - begun_us) / 1e6,
           (unsigned long long)n.readings);
    return recorded_problem(r)[0] != '\0';
}

int main(int argc, char **argv)
{
    if (argc == 5 && strcmp(argv[1], "make") == 0)
        return make(argv[2], atoi(argv[3]), atol(argv[4]));
    if (argc == 3 && strcmp(argv[1], "parse") == 0)
        return parse(argv[2]);
    fprintf(stderr, "usage: readings make DIR CIRCUITS ROWS | readings parse DIR\n");
    return 2;
}
