/*
 * trip_evidence - every judgement of a recording's falls, said or not, one JSON object a line.
 *
 *     trip_evidence DIR...      DIR holds site.cfg and readings.csv
 *
 * What docs/method/trips.py learns the weights from and checks the probabilities with.
 */
#include "analysis/trips.h"
#include "config/reader.h"
#include "drivers/recorded.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define FRAMES 64

struct out {
    const struct site *site;
    const char *directory;
};

static void print_number(const char *name, double v)
{
    printf(isfinite(v) ? ",\"%s\":%.6g" : ",\"%s\":null", name, v);
}

static void print_facts(const struct fall_facts *f)
{
    print_number("gap", f->gap_seconds);
    print_number("amps", f->amps);
    print_number("staged", f->staged);
    print_number("switch_on", f->switch_on_seconds);
    print_number("switch_on_amps", f->switch_on_amps);
    print_number("local", (double)f->local_seconds);
    print_number("heat", f->heat.heat);
    print_number("chance_overload", f->heat.chance_overload);
    print_number("chance_worn", f->heat.chance_worn);
    print_number("must_hold", f->heat.must_hold_amps);
    print_number("ends_like", f->ends_like);
    print_number("begins_like", f->begins_like);
    print_number("awake", f->awake_seconds);
    print_number("watched_days", f->watched_days);
    print_number("after", f->after_amps);
    print_number("after_polls", f->after_polls);
    print_number("after_rms", f->after_rms);
    print_number("silent", f->silent_seconds);
    print_number("back_first", f->back ? f->back_first_amps : (double)NAN);
    print_number("back_amps", f->back ? f->back_amps : (double)NAN);
    printf(",\"marks\":[");
    for (int k = 0; k < f->seen.marks; k++)
        printf("%s%.6g", k ? "," : "", (double)f->seen.rms[k]);
    printf("],\"unsure\":[");
    for (int k = 0; k < f->seen.marks; k++)
        printf("%s%.3g", k ? "," : "", (double)f->seen.unsure[k]);
    printf("],\"loads\":[");
    for (int k = 0; k < f->loads; k++)
        printf("%s[%.6g,%.4g]", k ? "," : "", f->ages[k], f->sizes[k]);
    printf("]");
}

static void print_judgement(void *context, const struct trips_judgement *j)
{
    const struct out *o = context;
    printf("{\"house\":\"%s\",\"circuit\":\"%s\",\"opened\":%.3f,\"moment\":\"%s\",\"said\":%d",
           o->directory, o->site->circuits[j->circuit].id, (double)j->opened_wall_ms / 1000.0,
           j->moment, j->said);
    print_number("p", j->probability);
    print_facts(j->facts);
    if (!j->evidence) {
        printf("}\n");
        return;
    }
    printf(",\"causes\":{");
    for (int c = 0; c < CAUSE_COUNT; c++)
        printf("%s\"%s\":%.4g", c ? "," : "", trip_cause_name((enum trip_cause)c),
               j->causes[c]);
    printf("},\"ratios\":{");
    for (int k = 0; k < EVIDENCE_PIECES; k++)
        printf("%s\"%s\":%.4g", k ? "," : "", evidence_pieces[k].what, j->evidence->ratios[k]);
    printf("},\"evidence\":{");
    for (size_t k = 0; k < j->evidence->count; k++)
        printf("%s\"%s\":%.4g", k ? "," : "", j->evidence->items[k].what,
               j->evidence->items[k].log_ratio);
    printf("}}\n");
}

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static int fail(const char *directory, const char *why)
{
    fprintf(stderr, "trip_evidence: %s: %s\n", directory, why);
    return 1;
}

static void run(const struct config *c, struct recorded *r, struct trips *t, struct breakers *b,
                struct loads *l)
{
    struct frame *frames[FRAMES];
    size_t n = 0;
    for (size_t i = 0; i < FRAMES; i++)
        frames[i] = frame_create(&c->site);
    while ((n = recorded_read(r, frames, FRAMES)) > 0)
        for (size_t i = 0; i < n; i++) { /* the order of engine_feed */
            breakers_step(b, frames[i]);
            trips_step(t, frames[i]);
            loads_step(l, frames[i], trips_cut(t));
        }
    for (size_t i = 0; i < FRAMES; i++)
        frame_destroy(frames[i]);
}

static int house(const char *directory)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool usable = config_load(&c, directory, &faults);
    faults_free(&faults);
    if (!usable)
        return fail(directory, "no usable configuration");
    char path[4096];
    struct text problem = TEXT_INIT;
    snprintf(path, sizeof path, "%s/readings.csv", directory);
    struct recorded *r = recorded_open(&c.site, path, &problem);
    int rc = r ? 0 : fail(directory, text_get(&problem));
    text_free(&problem);
    if (r) {
        struct out o = {.site = &c.site, .directory = directory};
        struct breakers *b = breakers_create(&c.site, &c.rules);
        struct loads *l = loads_create(&c.site, &c.rules, &c.signatures, ignore, NULL);
        struct trips *t = trips_create(&c.site, &c.rules, b, l, ignore, NULL);
        trips_observe(t, print_judgement, &o);
        run(&c, r, t, b, l);
        if (recorded_problem(r)[0])
            rc = fail(directory, recorded_problem(r));
        trips_destroy(t);
        loads_destroy(l);
        breakers_destroy(b);
        recorded_close(r);
    }
    config_free(&c);
    return rc;
}

int main(int argc, char **argv)
{
    int rc = argc > 1 ? 0 : 2;
    for (int i = 1; i < argc; i++)
        rc |= house(argv[i]);
    return rc;
}
