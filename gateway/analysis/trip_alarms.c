#include "trip_alarms.h"

#include "trip_texts.h"

#include <stdlib.h>
#include <string.h>

#define LOADS_SAID 4

/* what is known of one circuit's newest trip */
struct open_circuit {
    bool open;  /* told as open: likely enough, neither withdrawn nor restored */
    bool again; /* it opened again after a reset */
    bool worn;
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
    struct open_circuit *circuits;
    bool *told; /* circuits whose breaker has the trip alarm, last of all the site */
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
    if (!t->circuits || !t->told) {
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
    free(t);
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
              trip->cause != CAUSE_LOAD_ENDED && trip->cause != CAUSE_SENSOR_LOST;
    o->cause = trip->cause;
    o->upstream = trip->cause == CAUSE_UPSTREAM_OPEN   ? trip->upstream
                  : trip->cause == CAUSE_SUPPLY_OUTAGE ? TRIP_UPSTREAM_UTILITY
                                                       : TRIP_UPSTREAM_NONE;
    o->probability = trip->probability;
    o->cause_probability = trip->causes[trip->cause];
    o->amps_before = trip->amps_before;
    o->heat = trip->heat;
    o->worn = o->open && trip->cause == CAUSE_WORN_BREAKER && trip->stage == TRIP_CONFIRMED;
}

void trip_alarms_event(struct trip_alarms *t, const struct event *e)
{
    if (e->circuit < 0)
        return;
    struct open_circuit *o = &t->circuits[e->circuit];
    if (e->type == EVENT_TRIP) {
        note_trip(t, e->circuit, &e->trip);
    } else if (e->type == EVENT_RESTORED) {
        o->open = o->again = false;
    } else if (e->type == EVENT_OPENED_AGAIN) {
        o->open = o->again = true;
        o->held_seconds = e->outcome.seconds;
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

static void raise_trip(struct trip_alarms *t, size_t told, int64_t mono_ms, int64_t wall_ms)
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
    struct alarm_judgement j = {
        .kind = ALARM_TRIP,
        .subject = subject_of(t, told),
        .stands = true,
        .priority = any_essential(t, told) ? PRIORITY_URGENT : PRIORITY_HIGH,
        .text = text_get(&text),
        .advice = text_get(&advice),
        .figures = &figures,
    };
    alarms_judge(t->alarms, mono_ms, wall_ms, &j);
    text_free(&text);
    text_free(&advice);
    text_free(&names);
}

static void judge_trips(struct trip_alarms *t, int64_t mono_ms, int64_t wall_ms)
{
    for (size_t told = 0; told <= t->site->circuit_count; told++) {
        bool stands = false;
        for (size_t c = 0; c < t->site->circuit_count && !stands; c++)
            stands = t->circuits[c].open && told_as(t, c) == told;
        if (stands && !t->told[told]) {
            raise_trip(t, told, mono_ms, wall_ms);
        } else if (!stands && t->told[told]) {
            struct alarm_judgement j = {.kind = ALARM_TRIP, .subject = subject_of(t, told)};
            alarms_judge(t->alarms, mono_ms, wall_ms, &j);
        }
        t->told[told] = stands;
    }
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
    const struct open_circuit *o = &t->circuits[c];
    double worn = breakers_worn(t->breakers, (int)c);
    /* stays until the breaker is recorded as replaced, which forgets what was learned */
    j.stands = o->worn || (alarms_standing(t->alarms, j.kind, j.subject) && worn >= 0.3);
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
    if (!t->dirty)
        return;
    t->dirty = false;
    judge_trips(t, mono_ms, wall_ms);
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
    /* the alarms of these stood already and are in the alarms' own state */
    for (size_t c = 0; c < t->site->circuit_count; c++)
        if (t->circuits[c].open)
            t->told[told_as(t, c)] = true;
    return !in->failed;
}
