/* foretrip replay: recorded readings through the engine, events as JSON lines. */
#include "verbs.h"

#include "options.h"

#include "analysis/engine.h"
#include "base/clock.h"
#include "config/reader.h"
#include "drivers/recorded_ahead.h"
#include "model/event_json.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct output {
    const struct site *site;
    FILE *file;
    const char *name;
    uint64_t events;
    int failed; /* errno of the first event that could not be written */
};

static void write_event(void *context, const struct event *e)
{
    struct output *o = context;
    char *json = event_to_json_text(o->site, e);
    errno = ENOMEM;
    if (!o->failed && (!json || fputs(json, o->file) == EOF || putc('\n', o->file) == EOF))
        o->failed = errno;
    o->events++;
    free(json);
}

static bool open_output(struct output *o, const char *path)
{
    bool standard = !path || strcmp(path, "-") == 0;
    o->name = standard ? "standard output" : path;
    o->file = standard ? stdout : fopen(path, "we");
    if (!o->file) {
        fprintf(stderr, "foretrip replay: %s: %s\n", path, strerror(errno));
        return false;
    }
    setvbuf(o->file, NULL, _IOFBF, 1 << 18);
    return true;
}

static bool close_output(struct output *o)
{
    errno = 0;
    int rc = o->file == stdout ? fflush(o->file) : fclose(o->file);
    if (rc != 0 && !o->failed)
        o->failed = errno;
    if (o->failed)
        fprintf(stderr, "foretrip replay: %s: %s\n", o->name, strerror(o->failed));
    return o->failed == 0;
}

static void print_summary(const struct recorded *r, const struct output *o, int64_t elapsed_us)
{
    struct recorded_counts n;
    recorded_counts(r, &n);
    double seconds = (double)elapsed_us / 1e6;
    if (n.refused > 0)
        fprintf(
            stderr,
            "foretrip replay: %llu numbers that no meter can mean were taken as no reading, "
            "the first in line %s\n",
            (unsigned long long)n.refused, n.first_refused);
    if (n.set_back > 0)
        fprintf(stderr,
                "foretrip replay: in %llu rows the time stood still or went back, the first in "
                "line %llu; durations go on by the usual period\n",
                (unsigned long long)n.set_back, (unsigned long long)n.first_set_back_line);
    fprintf(stderr, "%llu rows, %llu readings, %llu events in %.2f s: %.2f M readings/s\n",
            (unsigned long long)n.rows, (unsigned long long)n.readings,
            (unsigned long long)o->events, seconds,
            elapsed_us > 0 ? (double)n.readings / (double)elapsed_us : 0.0);
}

/* Feeds every row; false when reading or writing failed (said). */
static bool feed(struct recorded *r, const struct config *c, struct output *o)
{
    struct engine *engine = engine_create(&c->site, &c->rules, &c->signatures, write_event, o);
    struct recorded_ahead *ahead = engine ? recorded_ahead_start(r, &c->site) : NULL;
    if (!ahead) {
        fputs("foretrip replay: memory is short\n", stderr);
        engine_destroy(engine);
        return false;
    }
    const struct frame *const *frames;
    size_t n;
    while (!o->failed && (n = recorded_ahead_next(ahead, &frames)) > 0)
        for (size_t i = 0; i < n; i++)
            engine_feed(engine, frames[i]);
    recorded_ahead_stop(ahead);
    engine_destroy(engine);
    if (recorded_problem(r)[0])
        fprintf(stderr, "%s\n", recorded_problem(r));
    return recorded_problem(r)[0] == '\0';
}

static enum exit_code replay(const struct config *c, const char *readings, const char *events)
{
    struct text problem = TEXT_INIT;
    struct output o = {.site = &c->site};
    int64_t begun_us = clock_mono_us();
    struct recorded *r = recorded_open(&c->site, readings, &problem);
    if (!r)
        fprintf(stderr, "%s\n", text_get(&problem));
    text_free(&problem);
    if (!r)
        return EXIT_BAD;
    enum exit_code rc = EXIT_BAD;
    if (open_output(&o, events)) {
        bool fed = feed(r, c, &o), closed = close_output(&o);
        rc = fed && closed ? EXIT_GOOD : EXIT_BAD;
        print_summary(r, &o, clock_mono_us() - begun_us);
    }
    recorded_close(r);
    return rc;
}

enum exit_code verb_replay(int argc, char **argv)
{
    const char *directory = NULL, *readings = NULL, *events = NULL;
    const struct option_row rows[] = {
        {.name = "config", .value = &directory, .needed = true},
        {.name = "readings", .value = &readings, .needed = true},
        {.name = "events", .value = &events},
    };
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool usable = config_load(&c, directory, &faults);
    if (!usable) {
        struct text prefix = TEXT_INIT, t = TEXT_INIT;
        text_printf(&prefix, "%s/", directory);
        faults_print(&faults, text_get(&prefix), &t);
        fputs(text_get(&t), stderr);
        text_free(&prefix);
        text_free(&t);
    }
    faults_free(&faults);
    if (!usable)
        return EXIT_BAD;
    enum exit_code rc = replay(&c, readings, events);
    config_free(&c);
    return rc;
}
