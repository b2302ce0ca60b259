#include "trips_state.h"

#include <string.h>

#define LEARNED_VERSION 4U /* 2: without levels; 3: without blur */
#define TAG_SITE 1U
#define TAG_CIRCUIT 2U
#define TAG_REMEMBERED 3U

/* ---- learned -------------------------------------------------------------------------------
 */

static void put_remembered(const struct trips *t, struct codec_out *out)
{
    for (size_t k = 0; k < REMEMBERED; k++) { /* the oldest first */
        const struct remembered *r = &t->remembered[(t->remembered_count + k) % REMEMBERED];
        if (!r->id[0])
            continue;
        size_t begun = codec_begin(out, TAG_REMEMBERED);
        codec_put_string(out, r->id);
        codec_put_string(out, t->site->circuits[r->circuit].id);
        codec_put_u8(out, r->corrected);
        codec_put_u8(out, (uint8_t)r->cause);
        codec_put_f64(out, r->probability);
        codec_put_f64(out, r->natural);
        codec_put_i64(out, r->local_seconds);
        codec_put_f32(out, r->amps);
        codec_put_f32(out, r->age_seconds);
        codec_put_u8(out, r->several);
        codec_put_u8(out, r->at_switch_on);
        codec_end(out, begun);
    }
}

void trips_save_learned(const struct trips *t, struct codec_out *out)
{
    codec_put_u32(out, LEARNED_VERSION);
    size_t begun = codec_begin(out, TAG_SITE);
    codec_put_f64(out, t->openings);
    codec_put_f64(out, t->circuit_days);
    codec_put_f64(out, t->hands);
    codec_put_f64(out, t->faults);
    stillness_save(&t->lost_level, out);
    stillness_save(&t->off_level, out);
    codec_put_u32(out, (uint32_t)t->sharp);
    codec_put_u32(out, (uint32_t)t->blurred);
    codec_end(out, begun);
    put_remembered(t, out);
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        begun = codec_begin(out, TAG_CIRCUIT);
        codec_put_string(out, t->site->circuits[i].id);
        falls_save(&t->histories[i], out);
        codec_end(out, begun);
    }
}

static bool get_remembered(struct trips *t, struct codec_in *in)
{
    char circuit[SITE_ID_SIZE];
    struct remembered r = {0};
    codec_get_string(in, r.id, sizeof r.id);
    codec_get_string(in, circuit, sizeof circuit);
    r.corrected = codec_get_u8(in) != 0;
    uint8_t cause = codec_get_u8(in);
    r.probability = codec_get_f64(in);
    r.natural = codec_get_f64(in);
    r.local_seconds = codec_get_i64(in);
    r.amps = codec_get_f32(in);
    r.age_seconds = codec_get_f32(in);
    r.several = codec_get_u8(in) != 0;
    r.at_switch_on = codec_get_u8(in) != 0;
    if (in->failed || cause >= CAUSE_COUNT || !(r.probability >= 0.0 && r.probability <= 1.0))
        return false;
    r.cause = (enum trip_cause)cause;
    r.circuit = site_find_circuit(t->site, circuit);
    if (r.circuit >= 0)
        t->remembered[t->remembered_count++ % REMEMBERED] = r;
    return true;
}

static bool get_site(struct trips *t, struct codec_in *in, uint32_t version)
{
    double openings = codec_get_f64(in), days = codec_get_f64(in);
    double hands = codec_get_f64(in), faults = codec_get_f64(in);
    struct stillness lost = {0}, off = {0};
    if (version >= 3 && (!stillness_load(&lost, in) || !stillness_load(&off, in)))
        return false;
    uint32_t sharp = version >= 4 ? codec_get_u32(in) : 0;
    uint32_t blurred = version >= 4 ? codec_get_u32(in) : 0;
    if (in->failed || sharp > BLUR_MOST || blurred > BLUR_MOST || openings < 0.0 ||
        days < 0.0 || hands < 0.0 || faults < 0.0)
        return false;
    t->openings = openings;
    t->circuit_days = days;
    t->hands = hands;
    t->faults = faults;
    t->lost_level = lost;
    t->off_level = off;
    t->sharp = (int)sharp;
    t->blurred = (int)blurred;
    return true;
}

static bool get_history(struct trips *t, struct codec_in *in)
{
    char id[SITE_ID_SIZE];
    struct falls f;
    codec_get_string(in, id, sizeof id);
    if (in->failed || !falls_load(&f, in))
        return false;
    int i = site_find_circuit(t->site, id);
    if (i >= 0)
        t->histories[i] = f;
    return true;
}

bool trips_load_learned(struct trips *t, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    uint32_t version = codec_get_u32(in);
    if (version < 2 || version > LEARNED_VERSION)
        return false;
    while (codec_next(in, &tag, &section))
        if ((tag == TAG_SITE && !get_site(t, &section, version)) ||
            (tag == TAG_REMEMBERED && !get_remembered(t, &section)) ||
            (tag == TAG_CIRCUIT && !get_history(t, &section)))
            return false;
    return !in->failed;
}

/* ---- what people say -----------------------------------------------------------------------
 */

static struct remembered *recall(struct trips *t, const char *id)
{
    for (size_t k = 0; k < REMEMBERED; k++)
        if (id[0] && strcmp(t->remembered[k].id, id) == 0)
            return &t->remembered[k];
    return NULL;
}

void trips_replaced(struct trips *t, int circuit)
{
    t->cases[circuit].taught_breaker = true; /* a new case begins with false */
}

bool trips_correct(struct trips *t, const char *id, enum trip_cause cause, int64_t wall_ms,
                   const char *by)
{
    struct remembered *r = recall(t, id);
    if (!r || r->corrected)
        return false;
    struct falls *h = &t->histories[r->circuit];
    bool lost = cause != CAUSE_LOAD_ENDED && cause != CAUSE_SENSOR_LOST;
    struct event e = {.type = EVENT_TRIP_CORRECTED,
                      .wall_ms = wall_ms,
                      .panel = t->site->circuits[r->circuit].panel,
                      .circuit = r->circuit};
    e.correction = (struct event_correction){.trip = id,
                                             .said = cause,
                                             .computed = r->cause,
                                             .computed_probability = r->probability,
                                             .by = by};
    t->sink(t->context, &e);
    r->corrected = true;
    r->cause = cause;
    t->hands += cause == CAUSE_OPENED_BY_HAND;
    t->faults += cause == CAUSE_FAULT;
    t->openings = fmax(0.0, t->openings + (lost ? 1.0 : 0.0) - r->probability);
    falls_correct(h, r->amps, r->age_seconds, cause == CAUSE_LOAD_ENDED ? 1.0 : 0.0);
    if (cause == CAUSE_LOAD_ENDED && !r->at_switch_on)
        falls_evening(h, r->local_seconds);
    return true;
}
