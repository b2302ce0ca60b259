/*
 * bench_names - how often the name is right after a person has named each load once.
 *
 * Over houses made by the outside check ($FORETRIP_HOUSES; trial.py make): eight days are
 * watched, then every load that is known gets the name of what most of its runs were, as
 * somebody who lives there would say, and the six days after that are counted. A run counts
 * when the truth has one that began within four seconds with about that current, of 0.2 A and
 * 20 s or more. Prints one line a house and one for all; memory of a circuit's loads too.
 */
#include "analysis/engine.h"
#include "analysis/loads_inner.h"
#include "config/reader.h"
#include "drivers/recorded_ahead.h"

#include <glob.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS 86400000LL
#define NAMED_AFTER_DAYS 8
#define CLASSES 64

struct truth {
    int circuit, class;
    double on, step;
};

struct bench {
    struct truth *truth;
    size_t count;
    const char *classes[CLASSES];
    size_t class_count;
    int64_t base_ms;
    bool named;
    /* of each circuit and load, how many of its runs were of each class */
    int (*votes)[LEARNED_MAX * 8][CLASSES];
    size_t seen, by_name, right;
};

static int class_of(struct bench *b, const char *name)
{
    for (size_t k = 0; k < b->class_count; k++)
        if (strcmp(b->classes[k], name) == 0)
            return (int)k;
    if (b->class_count == CLASSES)
        return CLASSES - 1;
    b->classes[b->class_count] = name;
    return (int)b->class_count++;
}

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static const struct truth *true_run(const struct bench *b, int circuit, const struct run *r)
{
    double on = (double)(r->began_wall_ms - b->base_ms) / 1000, amps = (double)r->first;
    for (size_t i = 0; i < b->count; i++) {
        const struct truth *t = &b->truth[i];
        if (t->circuit == circuit && fabs(t->on - on) <= 4 &&
            fabs(t->step - amps) <= fmax(0.3, 0.3 * t->step))
            return t;
    }
    return NULL;
}

static void over(void *context, int circuit, const struct run *r, const struct run_shape *s,
                 const struct learned_load *load)
{
    struct bench *b = context;
    const struct truth *t = true_run(b, circuit, r);
    (void)s;
    if (!t || !load)
        return;
    if (!b->named) {
        if (load->id < LEARNED_MAX * 8)
            b->votes[circuit][load->id][t->class]++;
        return;
    }
    b->seen++;
    if (load->name[0] == '\0')
        return;
    b->by_name++;
    b->right += strcmp(r->appliance, b->classes[t->class]) == 0;
}

static void name_all(struct bench *b, const struct site *s, struct loads *l)
{
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct loads_known known[LOADS_MAX_KNOWN];
        size_t n = loads_known(l, (int)i, known);
        for (size_t k = 0; k < n; k++) {
            int best = -1, most = 0;
            for (int c = 0; c < CLASSES && known[k].id < LEARNED_MAX * 8; c++)
                if (b->votes[i][known[k].id][c] > most)
                    best = c, most = b->votes[i][known[k].id][c];
            if (best >= 0)
                loads_name(l, (int)i, known[k].id, b->classes[best]);
        }
    }
    b->named = true;
}

static bool read_truth(struct bench *b, const struct site *s, json_t *root)
{
    json_t *runs = json_object_get(root, "runs");
    b->truth = calloc(json_array_size(runs) + 1, sizeof *b->truth);
    b->votes = calloc(s->circuit_count, sizeof *b->votes);
    b->base_ms = json_integer_value(json_object_get(root, "t_base")) * 1000;
    if (!b->truth || !b->votes)
        return false;
    for (size_t i = 0; i < json_array_size(runs); i++) {
        json_t *r = json_array_get(runs, i);
        double on = json_number_value(json_object_get(r, "on"));
        struct truth t = {
            .circuit = site_find_circuit(s, json_string_value(json_object_get(r, "circuit"))),
            .class = class_of(b, json_string_value(json_object_get(r, "cls"))),
            .on = on,
            .step = json_number_value(json_object_get(r, "step")),
        };
        if (t.step >= 0.2 && json_number_value(json_object_get(r, "off")) - on >= 20)
            b->truth[b->count++] = t;
    }
    return true;
}

static bool play(struct bench *b, const struct config *c, const char *readings)
{
    struct text problem = TEXT_INIT;
    struct recorded *r = recorded_open(&c->site, readings, &problem);
    struct engine *e = engine_create(&c->site, &c->rules, &c->signatures, ignore, NULL);
    struct recorded_ahead *ahead = r && e ? recorded_ahead_start(r, &c->site) : NULL;
    const struct frame *const *frames;
    size_t n;
    text_free(&problem);
    if (!ahead)
        return false;
    loads_observe(engine_loads(e), over, b);
    while ((n = recorded_ahead_next(ahead, &frames)) > 0)
        for (size_t i = 0; i < n; i++) {
            if (!b->named && frames[i]->wall_ms - b->base_ms >= NAMED_AFTER_DAYS * DAY_MS)
                name_all(b, &c->site, engine_loads(e));
            engine_feed(e, frames[i]);
        }
    recorded_ahead_stop(ahead);
    engine_destroy(e);
    recorded_close(r);
    return true;
}

static bool house(const char *path, struct bench *sum)
{
    char file[4096];
    struct config c = {0};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct bench b = {0};
    snprintf(file, sizeof file, "%s/truth.json", path);
    json_t *root = json_load_file(file, 0, NULL);
    bool good = root && config_load(&c, path, &faults) && read_truth(&b, &c.site, root);
    snprintf(file, sizeof file, "%s/readings.csv", path);
    good = good && play(&b, &c, file);
    if (good && b.by_name > 0)
        printf("%-12s %6zu runs, %4.1f %% by a person's name, of those right %5.1f %%\n",
               strrchr(path, '/') + 1, b.seen, 100.0 * (double)b.by_name / (double)b.seen,
               100.0 * (double)b.right / (double)b.by_name);
    sum->seen += b.seen;
    sum->by_name += b.by_name;
    sum->right += b.right;
    free(b.truth);
    free(b.votes);
    json_decref(root);
    config_free(&c);
    faults_free(&faults);
    return good;
}

int main(void)
{
    const char *folder = getenv("FORETRIP_HOUSES");
    char pattern[4096];
    glob_t found = {0};
    struct bench sum = {0};
    printf("memory of one circuit's loads: %zu bytes, of that learned %zu\n",
           sizeof(struct circuit) + 6 * sizeof(float), sizeof(struct learned));
    snprintf(pattern, sizeof pattern, "%s/house-*", folder ? folder : "");
    if (!folder || glob(pattern, 0, NULL, &found) != 0) {
        printf("skipped: FORETRIP_HOUSES names no folder of houses\n");
        return 0;
    }
    for (size_t i = 0; i < found.gl_pathc; i++)
        if (!house(found.gl_pathv[i], &sum))
            printf("%s: cannot be played\n", found.gl_pathv[i]);
    if (sum.by_name > 0)
        printf("%-12s %6zu runs, %4.1f %% by a person's name, of those right %5.1f %%\n", "all",
               sum.seen, 100.0 * (double)sum.by_name / (double)sum.seen,
               100.0 * (double)sum.right / (double)sum.by_name);
    globfree(&found);
    return 0;
}
