#include "essential.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define CHECK_MS 60000
#define KNOWN_RUNS 12
#define PAUSES 2.0 /* times the longest one */
#define PAUSE_MORE_SECONDS 900.0
#define FADE_A_DAY 0.99F
#define SIZE_WANDERS 0.05F /* the newest run's share in what its size is */
#define ALIKE_LOG 0.35F    /* a run of that load */
#define LEAST_AMPS 0.1
#define GAP_MS 900000 /* frames further apart: nobody looked meanwhile */
#define CLOCK_MS                                                                               \
    1000 /* the wall clock goes astray by so much from one frame to the next: set */
#define STATE_VERSION 2U /* 1: without when it was looked last */

struct rhythm {
    uint32_t runs;
    float amps;          /* usually */
    float pause_seconds; /* the longest */
    int64_t run;         /* the one that is on, 0: none */
    int64_t
        ended_wall_ms; /* of the last one, 0: none yet; later by what nobody watched since */
    char appliance[EVENT_APPLIANCE_SIZE];
};

struct essential {
    const struct site *site;
    struct alarms *alarms;
    const struct trip_alarms *trips;
    int64_t next_ms;
    int64_t mono_ms, wall_ms; /* of the last step; the wall's 0: none is known */
    int64_t watched_ms;       /* since the last check */
    struct rhythm *circuits;
};

struct essential *essential_create(const struct site *s, struct alarms *a,
                                   const struct trip_alarms *trips)
{
    struct essential *e = calloc(1, sizeof *e);
    if (!e)
        return NULL;
    *e = (struct essential){
        .site = s, .alarms = a, .trips = trips, .next_ms = INT64_MIN, .mono_ms = INT64_MIN};
    e->circuits = calloc(s->circuit_count + 1, sizeof *e->circuits);
    if (!e->circuits) {
        free(e);
        return NULL;
    }
    return e;
}

void essential_destroy(struct essential *e)
{
    if (!e)
        return;
    free(e->circuits);
    free(e);
}

/* The largest of what comes again and again is the load that is meant. */
static bool is_of(const struct rhythm *r, double amps)
{
    return r->runs == 0 || fabsf(logf((float)amps / r->amps)) < ALIKE_LOG;
}

static void begins(struct rhythm *r, const struct event_load *l, int64_t wall_ms)
{
    if (l->amps < LEAST_AMPS)
        return;
    if (!is_of(r, l->amps)) {
        bool larger = (float)l->amps > r->amps;
        if (r->runs >= KNOWN_RUNS || !larger)
            return;
        *r = (struct rhythm){0}; /* not known yet, and something larger is here */
    }
    if (r->ended_wall_ms != 0 && wall_ms > r->ended_wall_ms)
        r->pause_seconds =
            fmaxf(r->pause_seconds, (float)(wall_ms - r->ended_wall_ms) / 1000.0F);
    r->amps =
        r->runs == 0 ? (float)l->amps : r->amps + SIZE_WANDERS * ((float)l->amps - r->amps);
    r->runs++;
    r->run = l->run;
    text_copy(r->appliance, sizeof r->appliance, l->appliance);
}

void essential_event(struct essential *e, const struct event *event)
{
    if (event->circuit < 0 || (event->type != EVENT_LOAD_ON && event->type != EVENT_LOAD_OFF))
        return;
    struct rhythm *r = &e->circuits[event->circuit];
    const struct event_load *l = &event->load;
    bool meant = e->site->circuits[event->circuit].essential || l->essential;
    if (event->type == EVENT_LOAD_ON && meant && r->run == 0)
        begins(r, l, event->wall_ms);
    if (event->type == EVENT_LOAD_OFF && r->run != 0 && r->run == l->run) {
        r->run = 0;
        r->ended_wall_ms = event->wall_ms;
        text_copy(r->appliance, sizeof r->appliance, l->appliance);
    }
}

static void say_words(const struct essential *e, int i, double silent, struct text *text,
                      struct text *advice, struct figures *figures)
{
    const struct rhythm *r = &e->circuits[i];
    char where[256];
    site_describe_circuit(e->site, i, where, sizeof where);
    text_printf(text,
                "The essential load on %s has not run for %.0f minutes: it never paused "
                "longer than %.0f minutes before.",
                where, silent / 60.0, (double)r->pause_seconds / 60.0);
    text_append(advice,
                "Look whether the appliance has power: its plug, its switch, and a receptacle "
                "with a test button, which may have opened. Leave one that will not reset, is "
                "wet, smells or is warm to a licensed electrician. Keep a freezer closed; for "
                "medical equipment use its backup now. Do not reset a breaker for it that has "
                "opened once already. foretrip only advises and is no protective device; local "
                "codes and a licensed electrician's word come first.");
    figures_add_text(figures, FIGURE_APPLIANCE, r->appliance);
    figures_add(figures, FIGURE_USUAL_LOAD, (double)r->amps);
    figures_add(figures, FIGURE_RUNS_KNOWN, r->runs);
    figures_add(figures, FIGURE_SILENT_FOR, silent / 60.0);
    figures_add(figures, FIGURE_LONGEST_PAUSE, (double)r->pause_seconds / 60.0);
    figures_add_text(figures, FIGURE_NOT_KNOWN_TO_BE_OPEN, "");
}

static void judge(struct essential *e, int i, int64_t mono_ms, int64_t wall_ms)
{
    const struct rhythm *r = &e->circuits[i];
    double silent = (double)(wall_ms - r->ended_wall_ms) / 1000.0;
    struct alarm_judgement j = {.kind = ALARM_ESSENTIAL_LOAD_SILENT,
                                .subject = {-1, i, -1},
                                .priority = PRIORITY_URGENT};
    struct text text = TEXT_INIT, advice = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    j.stands = r->run == 0 && r->runs >= KNOWN_RUNS && !trip_alarms_open(e->trips, i) &&
               silent > PAUSES * (double)r->pause_seconds + PAUSE_MORE_SECONDS;
    if (!j.stands && alarms_rest(e->alarms, j.kind, j.subject))
        return;
    if (j.stands)
        say_words(e, i, silent, &text, &advice, &figures);
    j.text = text_get(&text);
    j.advice = text_get(&advice);
    j.figures = &figures;
    alarms_judge(e->alarms, mono_ms, wall_ms, &j);
    text_free(&text);
    text_free(&advice);
}

/* Nobody can tell whether it would have run: that is no silence. */
static bool is_hidden(const struct essential *e, size_t i)
{
    int meter = e->site->circuits[i].meter;
    return trip_alarms_open(e->trips, (int)i) ||
           alarms_suppressed_by(e->alarms, ALARM_ESSENTIAL_LOAD_SILENT,
                                (struct alarm_subject){-1, (int)i, -1}) != EVENT_BY_NONE ||
           (meter >= 0 && alarms_condition(e->alarms, ALARM_METER_LOST,
                                           (struct alarm_subject){-1, -1, meter}));
}

static void pass_over(struct rhythm *r, int64_t ms, int64_t wall_ms)
{
    if (r->ended_wall_ms == 0)
        return;
    r->ended_wall_ms += ms;
    if (r->ended_wall_ms > wall_ms) /* it ended in the midst of that time */
        r->ended_wall_ms = wall_ms;
}

/* What the wall clock has moved by since the last step, beyond what was watched: the gateway
 * was off, readings are missing, or the clock was set. */
static void look(struct essential *e, int64_t mono_ms, int64_t wall_ms)
{
    bool on = e->mono_ms != INT64_MIN && mono_ms - e->mono_ms <= GAP_MS;
    int64_t watched = on ? mono_ms - e->mono_ms : 0;
    int64_t unwatched = e->wall_ms != 0 ? wall_ms - e->wall_ms - watched : 0;
    for (size_t i = 0; i < e->site->circuit_count && llabs(unwatched) > CLOCK_MS; i++)
        pass_over(&e->circuits[i], unwatched, wall_ms);
    e->watched_ms += watched;
    e->mono_ms = mono_ms;
    e->wall_ms = wall_ms;
}

void essential_step(struct essential *e, int64_t mono_ms, int64_t wall_ms)
{
    look(e, mono_ms, wall_ms);
    if (mono_ms < e->next_ms)
        return;
    bool first = e->next_ms == INT64_MIN;
    e->next_ms = mono_ms + CHECK_MS;
    for (size_t i = 0; i < e->site->circuit_count && !first; i++) {
        struct rhythm *r = &e->circuits[i];
        if (r->runs == 0)
            continue;
        if (is_hidden(e, i))
            pass_over(r, e->watched_ms, wall_ms);
        r->pause_seconds *= 1.0F - (1.0F - FADE_A_DAY) * (CHECK_MS / 86400000.0F);
        judge(e, (int)i, mono_ms, wall_ms);
    }
    e->watched_ms = 0;
}

void essential_save(const struct essential *e, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    codec_put_i64(out, e->wall_ms);
    for (size_t i = 0; i < e->site->circuit_count; i++) {
        const struct rhythm *r = &e->circuits[i];
        if (r->runs == 0)
            continue;
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, e->site->circuits[i].id);
        codec_put_u32(out, r->runs);
        codec_put_f32(out, r->amps);
        codec_put_f32(out, r->pause_seconds);
        codec_put_i64(out, r->run);
        codec_put_i64(out, r->ended_wall_ms);
        codec_put_string(out, r->appliance);
        codec_end(out, begun);
    }
}

bool essential_load(struct essential *e, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    uint32_t version = codec_get_u32(in);
    if (version < 1 || version > STATE_VERSION)
        return false;
    e->wall_ms = version >= 2 ? codec_get_i64(in) : 0;
    while (codec_next(in, &tag, &section)) {
        char id[SITE_ID_SIZE];
        struct rhythm r = {0};
        codec_get_string(&section, id, sizeof id);
        r.runs = codec_get_u32(&section);
        r.amps = codec_get_f32(&section);
        r.pause_seconds = codec_get_f32(&section);
        r.run = codec_get_i64(&section);
        r.ended_wall_ms = codec_get_i64(&section);
        codec_get_string(&section, r.appliance, sizeof r.appliance);
        if (section.failed || !(r.amps > 0.0F) || !(r.pause_seconds >= 0.0F))
            return false;
        int i = site_find_circuit(e->site, id);
        if (i >= 0)
            e->circuits[i] = r;
    }
    return !in->failed;
}
