#include "trip_alarms.h"

#include "trip_texts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LOADS_SAID 4

/* What is nearly sure is told after NEARLY_SECONDS: of these one in five is none, and half of
 * those show it by then, by coming back or by how still it is (docs/method/alarms.md). What
 * heat explains is sure from a lower probability on. */
#define NEARLY_SURE 0.9
#define NEARLY_SECONDS 60.0
#define HEAT_SURE 0.8

/* A breaker that was called worn stays so until it is replaced, or until what it has carried
 * since makes that this much less likely than it is of one that nothing is known of: half of
 * those outside their band are too quick (hypotheses.h). */
#define WORN_QUICK_SHARE 0.5
#define WORN_NO_MORE 0.5

/* what is known of one circuit's newest trip */
struct open_circuit {
    bool open;  /* told as open: likely enough, neither withdrawn nor restored */
    bool again; /* it opened again after a reset */
    bool worn;
    bool judged_anew;         /* what was said of the breaker does not hold any more */
    int64_t replaced_wall_ms; /* openings before say nothing of the breaker; 0: never */
    int64_t restored_wall_ms; /* it feeds its branches again since; 0: never */
    enum trip_cause cause;
    int upstream;
    double probability, cause_probability, amps_before, heat, held_seconds;
    char loads[200];
};

struct trip_alarms {
    const struct site *site;
    const struct rules_set *rules;
    const struct breakers *breakers;
    struct alarms *alarms;
    bool dirty;
    bool waiting; /* an opening that is not sure has to stand for a while yet */
    struct open_circuit *circuits;
    bool *told;     /* circuits whose breaker has the trip alarm, last of all the site */
    bool *silenced; /* circuits whose trip alarm opened_again speaks for */
};

struct trip_alarms *trip_alarms_create(const struct site *s, const struct rules_set *rules,
                                       const struct breakers *b, struct alarms *a)
{
    struct trip_alarms *t = calloc(1, sizeof *t);
    if (!t)
        return NULL;
    *t = (struct trip_alarms){.site = s, .rules = rules, .breakers = b, .alarms = a};
    t->circuits = calloc(s->circuit_count + 1, sizeof *t->circuits);
    t->told = calloc(s->circuit_count + 1, sizeof *t->told);
    t->silenced = calloc(s->circuit_count + 1, sizeof *t->silenced);
    if (!t->circuits || !t->told || !t->silenced) {
        trip_alarms_destroy(t);
        return NULL;
    }
    return t;
}

void trip_alarms_destroy(struct trip_alarms *t)
{
    if (!t)
        return;
    free(t->circuits);
    free(t->told);
    free(t->silenced);
    free(t);
}

static bool is_worn(const struct open_circuit *o, const struct event_trip *trip)
{
    return trip->cause == CAUSE_WORN_BREAKER && trip->stage == TRIP_CONFIRMED &&
           trip->opened_wall_ms >= o->replaced_wall_ms;
}

/* A feeder that carries current has its branches supplied: one that carries nothing has nothing
 * on, or its own breaker is open, which would be another trip. */
static bool is_fed_again(const struct trip_alarms *t, const struct event_trip *trip)
{
    return trip->cause == CAUSE_UPSTREAM_OPEN && trip->upstream >= 0 &&
           trip->opened_wall_ms < t->circuits[trip->upstream].restored_wall_ms;
}

static void note_trip(struct trip_alarms *t, int circuit, const struct event_trip *trip)
{
    struct open_circuit *o = &t->circuits[circuit];
    struct text loads = TEXT_INIT;
    trip_texts_loads(trip->loads, trip->load_count, LOADS_SAID, &loads);
    text_copy(o->loads, sizeof o->loads, text_get(&loads));
    text_free(&loads);
    o->open = trip->stage != TRIP_WITHDRAWN &&
              trip->probability >= t->rules->circuits[circuit].trip_probability &&
              trip->cause != CAUSE_LOAD_ENDED && trip->cause != CAUSE_SENSOR_LOST &&
              !is_fed_again(t, trip);
    o->cause = trip->cause;
    o->upstream = trip->cause == CAUSE_UPSTREAM_OPEN   ? trip->upstream
                  : trip->cause == CAUSE_SUPPLY_OUTAGE ? TRIP_UPSTREAM_UTILITY
                                                       : TRIP_UPSTREAM_NONE;
    o->probability = trip->probability;
    o->cause_probability = trip->causes[trip->cause];
    o->amps_before = trip->amps_before;
    o->heat = trip->heat;
    o->worn = o->open && is_worn(o, trip);
}

static void note_restored(struct trip_alarms *t, int circuit, int64_t wall_ms)
{
    struct open_circuit *o = &t->circuits[circuit];
    o->open = o->again = false;
    o->restored_wall_ms = wall_ms;
    for (size_t c = 0; c < t->site->circuit_count; c++)
        t->circuits[c].open &= t->circuits[c].upstream != circuit;
}

/* A person knows better what the opening was: worn, or not. */
static void note_correction(struct open_circuit *o, const struct event_correction *c)
{
    bool said = c->said == CAUSE_WORN_BREAKER, computed = c->computed == CAUSE_WORN_BREAKER;
    if (said == computed)
        return;
    o->worn = said;
    o->judged_anew = computed;
}

/* What was known of it was known of the breaker that is gone. */
static void note_replaced(const struct trip_alarms *t, int circuit, const struct event *e)
{
    static const enum alarm_kind kinds[] = {ALARM_WORN_BREAKER, ALARM_BREAKER_DID_NOT_OPEN};
    struct open_circuit *o = &t->circuits[circuit];
    char id[EVENT_ID_SIZE];
    o->worn = false;
    o->judged_anew = true;
    o->replaced_wall_ms = e->wall_ms;
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        snprintf(id, sizeof id, "%s.%s", t->site->circuits[circuit].id,
                 alarm_kind_name(kinds[k]));
        alarms_acknowledge(t->alarms, id, e->wall_ms, e->note.by); /* whoever did it knows */
    }
}

void trip_alarms_event(struct trip_alarms *t, const struct event *e)
{
    if (e->circuit < 0)
        return;
    struct open_circuit *o = &t->circuits[e->circuit];
    if (e->type == EVENT_TRIP && e->trip.afterwards) {
        o->worn |= is_worn(o, &e->trip); /* that is still so; what was open is closed */
    } else if (e->type == EVENT_TRIP) {
        note_trip(t, e->circuit, &e->trip);
    } else if (e->type == EVENT_RESTORED) {
        note_restored(t, e->circuit, e->wall_ms);
    } else if (e->type == EVENT_OPENED_AGAIN) {
        o->open = o->again = true;
        o->held_seconds = e->outcome.seconds;
    } else if (e->type == EVENT_TRIP_CORRECTED) {
        note_correction(o, &e->correction);
    } else if (e->type == EVENT_BREAKER_REPLACED) {
        note_replaced(t, e->circuit, e);
    } else {
        return;
    }
    t->dirty = true;
}

/* which alarm tells of an open circuit: a circuit index, or circuit_count for the site */
static size_t told_as(const struct trip_alarms *t, size_t circuit)
{
    int upstream = t->circuits[circuit].upstream;
    if (upstream == TRIP_UPSTREAM_UTILITY)
        return t->site->circuit_count;
    return upstream >= 0 ? (size_t)upstream : circuit;
}

static struct alarm_subject subject_of(const struct trip_alarms *t, size_t told)
{
    if (told == t->site->circuit_count)
        return ALARM_SUBJECT_SITE;
    return (struct alarm_subject){t->site->circuits[told].panel, (int)told, -1};
}

static bool any_essential(const struct trip_alarms *t, size_t told)
{
    for (size_t c = 0; c < t->site->circuit_count; c++)
        if (t->circuits[c].open && told_as(t, c) == told && t->site->circuits[c].essential)
            return true;
    return false;
}

/* Most of what is no opening after all shows itself within minutes: what is not sure has to
 * stand for so long, what is nearly sure for seconds. */
static double on_seconds_by(const struct open_circuit *o, const struct rules *r)
{
    bool by_heat = o->cause == CAUSE_OVERLOAD || o->cause == CAUSE_WORN_BREAKER;
    if (o->probability >= r->trip_sure_probability || (by_heat && o->probability >= HEAT_SURE))
        return 0.0;
    return by_heat || o->probability >= NEARLY_SURE ? fmin(NEARLY_SECONDS, r->trip_on_seconds)
                                                    : r->trip_on_seconds;
}

/* Where something essential may be without supply nothing waits. */
static double on_seconds(const struct trip_alarms *t, size_t told)
{
    double seconds = 3600.0;
    for (size_t c = 0; c < t->site->circuit_count; c++) {
        const struct open_circuit *o = &t->circuits[c];
        if (!o->open || told_as(t, c) != told)
            continue;
        if (o->again || t->site->circuits[c].essential)
            return 0.0;
        seconds = fmin(seconds, on_seconds_by(o, &t->rules->circuits[c]));
    }
    return seconds;
}

/* With its words: raises it, or says anew what stands. */
static void say_trip(const struct trip_alarms *t, size_t told, struct alarm_judgement *j,
                     int64_t mono_ms, int64_t wall_ms)
{
    const struct site *s = t->site;
    struct text text = TEXT_INIT, advice = TEXT_INIT, names = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    size_t first = SIZE_MAX, count = 0;
    for (size_t c = 0; c < s->circuit_count; c++) {
        if (!t->circuits[c].open || told_as(t, c) != told)
            continue;
        if (first == SIZE_MAX || c == told)
            first = c;
        if (c != told) {
            text_printf(&names, "%s%s", count ? ", " : "", s->circuits[c].name);
            count++;
        }
    }
    const struct open_circuit *o = &t->circuits[first];
    if (told == s->circuit_count) {
        trip_texts_outage(s, count, &text, &advice);
    } else {
        struct trip_story story = {
            .circuit = (int)told,
            .cause = o->cause,
            .probability = o->probability,
            .cause_probability = o->cause_probability,
            .amps_before = o->amps_before,
            .heat = o->heat,
            .loads = o->loads,
            .went_with = text_get(&names),
            .went_with_count = count,
        };
        trip_texts_trip(s, &story, &text, &advice, &figures);
    }
    j->priority = any_essential(t, told) ? PRIORITY_URGENT : PRIORITY_HIGH;
    j->text = text_get(&text);
    j->advice = text_get(&advice);
    j->figures = &figures;
    if (t->told[told])
        alarms_reword(t->alarms, wall_ms, j);
    else
        alarms_judge(t->alarms, mono_ms, wall_ms, j);
    j->text = j->advice = NULL; /* they go now */
    j->figures = NULL;
    text_free(&text);
    text_free(&advice);
    text_free(&names);
}

/* Who is told that it opened again, and to leave it off, is not told beside it how to reset.
 * silence: begins with what opened again; else ends with what is over by now. */
static void judge_silence(const struct trip_alarms *t, bool silence, int64_t wall_ms)
{
    for (size_t c = 0; c < t->site->circuit_count; c++) {
        if (t->circuits[c].again != silence || t->silenced[c] == silence)
            continue;
        t->silenced[c] = silence;
        alarms_suppress(t->alarms, ALARM_TRIP, subject_of(t, c), wall_ms,
                        silence ? (int)c : EVENT_BY_NONE);
    }
}

/* A warning has come true: its opening is what is told from now on. */
static void take_over_warnings(const struct trip_alarms *t, int64_t wall_ms)
{
    for (size_t c = 0; c < t->site->circuit_count; c++) {
        size_t told = told_as(t, c);
        if (t->circuits[c].open && t->told[told])
            alarms_take_over(t->alarms, ALARM_NEAR_OVERLOAD, subject_of(t, c), wall_ms,
                             ALARM_TRIP, subject_of(t, told));
    }
}

static void judge_trips(struct trip_alarms *t, int64_t mono_ms, int64_t wall_ms)
{
    t->waiting = false;
    judge_silence(t, true, wall_ms);
    for (size_t told = 0; told <= t->site->circuit_count; told++) {
        bool stands = false;
        for (size_t c = 0; c < t->site->circuit_count && !stands; c++)
            stands = t->circuits[c].open && told_as(t, c) == told;
        struct alarm_judgement j = {
            .kind = ALARM_TRIP, .subject = subject_of(t, told), .stands = stands};
        if (stands ? t->told[told] && !t->dirty : alarms_rest(t->alarms, j.kind, j.subject))
            continue;
        j.on_seconds = stands ? on_seconds(t, told) : 0.0;
        if (stands && (t->told[told] || alarms_raises(t->alarms, mono_ms, &j)))
            say_trip(t, told, &j, mono_ms, wall_ms);
        else
            alarms_judge(t->alarms, mono_ms, wall_ms, &j);
        t->told[told] = alarms_condition(t->alarms, j.kind, j.subject);
        t->waiting |= stands && !t->told[told];
    }
    judge_silence(t, false, wall_ms);
    take_over_warnings(t, wall_ms);
}

static void judge_again(struct trip_alarms *t, size_t c, int64_t mono_ms, int64_t wall_ms)
{
    struct alarm_judgement j = {
        .kind = ALARM_OPENED_AGAIN, .subject = subject_of(t, c), .priority = PRIORITY_URGENT};
    struct text text = TEXT_INIT, advice = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_HELD_FOR, t->circuits[c].held_seconds);
    j.stands = t->circuits[c].again;
    j.figures = &figures;
    if (j.stands)
        trip_texts_again(t->site, (int)c, t->circuits[c].held_seconds, &text, &advice);
    j.text = text_get(&text);
    j.advice = text_get(&advice);
    alarms_judge(t->alarms, mono_ms, wall_ms, &j);
    text_free(&text);
    text_free(&advice);
}

static void judge_worn(struct trip_alarms *t, size_t c, int64_t mono_ms, int64_t wall_ms)
{
    struct alarm_judgement j = {
        .kind = ALARM_WORN_BREAKER, .subject = subject_of(t, c), .priority = PRIORITY_HIGH};
    struct text text = TEXT_INIT, advice = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    struct open_circuit *o = &t->circuits[c];
    double worn = breakers_worn(t->breakers, (int)c);
    /* Said once. The next opening, judged anew and unsure at first, does not take it back. */
    bool goes = o->judged_anew ||
                worn < WORN_NO_MORE * WORN_QUICK_SHARE * t->rules->circuits[c].worn_share;
    j.stands = o->worn || (alarms_condition(t->alarms, j.kind, j.subject) && !goes);
    o->judged_anew = false;
    if (j.stands)
        trip_texts_worn(t->site, (int)c,
                        worn > o->cause_probability ? worn : o->cause_probability,
                        o->amps_before, &text, &advice, &figures);
    j.text = text_get(&text);
    j.advice = text_get(&advice);
    j.figures = &figures;
    alarms_judge(t->alarms, mono_ms, wall_ms, &j);
    text_free(&text);
    text_free(&advice);
}

void trip_alarms_step(struct trip_alarms *t, int64_t mono_ms, int64_t wall_ms)
{
    if (!t->dirty && !t->waiting)
        return;
    judge_trips(t, mono_ms, wall_ms);
    if (!t->dirty)
        return;
    t->dirty = false;
    for (size_t c = 0; c < t->site->circuit_count; c++) {
        judge_again(t, c, mono_ms, wall_ms);
        judge_worn(t, c, mono_ms, wall_ms);
    }
}

bool trip_alarms_open(const struct trip_alarms *t, int circuit)
{
    return t->circuits[circuit].open;
}

#define TRIP_ALARMS_STATE_VERSION 1U

void trip_alarms_save(const struct trip_alarms *t, struct codec_out *out)
{
    codec_put_u32(out, TRIP_ALARMS_STATE_VERSION);
    for (size_t c = 0; c < t->site->circuit_count; c++) {
        const struct open_circuit *o = &t->circuits[c];
        if (!o->open && !o->again)
            continue;
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, t->site->circuits[c].id);
        codec_put_u8(out, o->open);
        codec_put_u8(out, o->again);
        codec_put_u8(out, (uint8_t)o->cause);
        codec_put_string(out, o->upstream >= 0 ? t->site->circuits[o->upstream].id : "");
        codec_put_u8(out, o->upstream == TRIP_UPSTREAM_UTILITY);
        codec_put_f64(out, o->probability);
        codec_put_f64(out, o->cause_probability);
        codec_put_f64(out, o->amps_before);
        codec_put_f64(out, o->heat);
        codec_put_string(out, o->loads);
        codec_put_i64(out, o->replaced_wall_ms);
        codec_end(out, begun);
    }
}

static bool load_circuit(struct trip_alarms *t, struct codec_in *in)
{
    char id[SITE_ID_SIZE], upstream[SITE_ID_SIZE];
    codec_get_string(in, id, sizeof id);
    struct open_circuit o = {0};
    o.open = codec_get_u8(in) != 0;
    o.again = codec_get_u8(in) != 0;
    uint8_t cause = codec_get_u8(in);
    codec_get_string(in, upstream, sizeof upstream);
    bool utility = codec_get_u8(in) != 0;
    if (in->at < in->end) { /* not yet in what the first versions kept */
        o.probability = codec_get_f64(in);
        o.cause_probability = codec_get_f64(in);
        o.amps_before = codec_get_f64(in);
        o.heat = codec_get_f64(in);
        codec_get_string(in, o.loads, sizeof o.loads);
    }
    if (in->at < in->end)
        o.replaced_wall_ms = codec_get_i64(in);
    if (in->failed || cause >= CAUSE_COUNT)
        return false;
    int c = site_find_circuit(t->site, id);
    if (c < 0)
        return true;
    o.cause = (enum trip_cause)cause;
    o.upstream = utility       ? TRIP_UPSTREAM_UTILITY
                 : upstream[0] ? site_find_circuit(t->site, upstream)
                               : TRIP_UPSTREAM_NONE;
    t->circuits[c] = o;
    return true;
}

bool trip_alarms_load(struct trip_alarms *t, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    if (codec_get_u32(in) != TRIP_ALARMS_STATE_VERSION)
        return false;
    while (codec_next(in, &tag, &section))
        if (tag == 1 && !load_circuit(t, &section))
            return false;
    /* what was told is in the alarms' own state, which is loaded before; the rest waits on */
    for (size_t told = 0; told <= t->site->circuit_count; told++)
        t->told[told] = alarms_condition(t->alarms, ALARM_TRIP, subject_of(t, told));
    t->dirty = true;
    return !in->failed;
}
