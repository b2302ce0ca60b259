/* foretrip replay: recorded readings through the engine, events as JSON lines and into a
 * database. */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "analysis/engine.h"
#include "base/clock.h"
#include "drivers/recorded_ahead.h"
#include "model/event_json.h"
#include "store/store.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define COMMIT_MS 3600000 /* of data in one transaction */
#define BATCH_MOST_BYTES ((size_t)256 << 20)

struct output {
    const struct site *site;
    FILE *file;
    const char *name;
    uint64_t events;
    int failed;          /* errno of the first event that could not be written */
    struct store *store; /* NULL for none */
    enum store_err store_err;
    int64_t commit_mono_ms, wall_ms;
};

static void write_event(void *context, const struct event *e)
{
    struct output *o = context;
    char *json = event_to_json_text(o->site, e);
    errno = ENOMEM;
    if (!o->failed && (!json || fputs(json, o->file) == EOF || putc('\n', o->file) == EOF))
        o->failed = errno;
    if (json && o->store)
        store_add_event(o->store, o->site, e, json);
    o->events++;
    free(json);
}

/* ---- the database ------------------------------------------------------------------------ */

static bool say_store(struct store *s, enum store_err err)
{
    struct store_status status = {.why = ""};
    if (s)
        store_get_status(s, &status);
    fprintf(stderr, "foretrip replay: %s\n",
            status.why[0] ? status.why : store_strerror(s ? err : STORE_ERR_MEMORY));
    return false;
}

/* What is there already is the record of something else. */
static bool open_store(struct output *o, const char *path)
{
    struct store_options options = {.path = path, .batch_most_bytes = BATCH_MOST_BYTES};
    enum store_err err = STORE_OK;
    if (!path)
        return true;
    if (access(path, F_OK) == 0) {
        fprintf(stderr,
                "foretrip replay: %s is there already; a replay begins a new database\n", path);
        return false;
    }
    o->store = store_open(&options, 0, &err);
    if (!o->store || err)
        return say_store(o->store, err);
    store_set_site(o->store, o->site);
    return true;
}

static void keep_frame(struct output *o, const struct frame *f)
{
    store_add_readings(o->store, f);
    o->wall_ms = f->wall_ms;
    if (f->mono_ms < o->commit_mono_ms)
        return;
    o->commit_mono_ms = f->mono_ms + COMMIT_MS;
    o->store_err = store_commit(o->store, f->mono_ms, f->wall_ms);
}

/* What the engine has come to know, for `foretrip loads`. */
static void keep_learned(struct output *o, const struct engine *e)
{
    struct codec_out out = {0};
    engine_save(e, ENGINE_LEARNED, &out);
    if (!out.failed)
        store_add_state(o->store, "learned", out.bytes, out.length, o->wall_ms);
    codec_out_free(&out);
}

/* False when something did not get into the database (said). */
static bool close_store(struct output *o)
{
    bool complete = true;
    if (!o->store)
        return true;
    if (!o->store_err) /* however young the last readings are */
        o->store_err = store_commit(o->store, INT64_MAX / 2, o->wall_ms);
    if (o->store_err)
        complete = say_store(o->store, o->store_err);
    store_close(o->store);
    return complete;
}

/* ---- the events ---------------------------------------------------------------------------
 */

static bool open_output(struct output *o, const char *path)
{
    bool standard = strcmp(path, "-") == 0;
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
    while (!o->failed && !o->store_err && (n = recorded_ahead_next(ahead, &frames)) > 0)
        for (size_t i = 0; i < n; i++) {
            engine_feed(engine, frames[i]);
            if (o->store)
                keep_frame(o, frames[i]);
        }
    recorded_ahead_stop(ahead);
    if (o->store)
        keep_learned(o, engine);
    engine_destroy(engine);
    if (recorded_problem(r)[0])
        fprintf(stderr, "%s\n", recorded_problem(r));
    return recorded_problem(r)[0] == '\0';
}

static enum exit_code replay(const struct config *c, const char *readings, const char *events,
                             const char *database)
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
    if (open_store(&o, database) && open_output(&o, events)) {
        bool fed = feed(r, c, &o), closed = close_output(&o), kept = close_store(&o);
        rc = fed && closed && kept ? EXIT_GOOD : EXIT_BAD;
        print_summary(r, &o, clock_mono_us() - begun_us);
    } else {
        store_close(o.store);
    }
    recorded_close(r);
    return rc;
}

enum exit_code verb_replay(int argc, char **argv)
{
    const char *directory = NULL, *readings = NULL, *events = NULL, *database = NULL;
    const struct option_row rows[] = {
        {.name = "config", .value = &directory, .needed = true},
        {.name = "readings", .value = &readings, .needed = true},
        {.name = "events", .value = &events},
        {.name = "database", .value = &database},
    };
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    if (!events)
        events = database ? "/dev/null" : "-";
    struct config c;
    if (!open_config(&c, directory))
        return EXIT_BAD;
    enum exit_code rc = replay(&c, readings, events, database);
    config_free(&c);
    return rc;
}
