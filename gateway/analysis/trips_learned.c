#include "trips_state.h"

#include <string.h>

#define LEARNED_VERSION 6U
/* 2: without levels; 3: without blur; 4: without closed cases; 5: without the levels' odds */
#define TAG_SITE 1U
#define TAG_CIRCUIT 2U
#define TAG_REMEMBERED 3U
#define TAG_CLOSED 4U

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

static void put_closed(const struct trips *t, struct codec_out *out)
{
    for (size_t k = 0; k < CLOSED_MOST; k++) { /* the oldest first */
        const struct closed_case *closed = &t->closed[(t->closed_count + k) % CLOSED_MOST];
        const struct trip_case *c = &closed->of;
        if (!c->id[0])
            continue;
        size_t begun = codec_begin(out, TAG_CLOSED);
        codec_put_string(out, t->site->circuits[closed->circuit].id);
        codec_put_u32(out, TRIPS_CASE_VERSION);
        trips_put_case(t, out, c);
        codec_put_f64(out, c->facts.silent_seconds);
        codec_put_f64(out, c->facts.back_first_amps);
        codec_put_f64(out, c->facts.back_amps);
        codec_put_u8(out, c->taught_levels);
        codec_put_f64(out, c->evidence.sum);
        for (int p = 0; p < EVIDENCE_PIECES; p++)
            codec_put_f64(out, c->evidence.ratios[p]);
        codec_put_u8(out, (uint8_t)c->evidence.count);
        for (size_t p = 0; p < c->evidence.count; p++) {
            codec_put_string(out, c->evidence.items[p].what);
            codec_put_f64(out, c->evidence.items[p].log_ratio);
            codec_put_f64(out, c->evidence.items[p].value);
        }
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
    put_closed(t, out);
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

/* A piece that there is no longer is not shown any more; the sum knows of it. */
static void get_item(struct codec_in *in, struct evidence_list *l)
{
    char what[32];
    codec_get_string(in, what, sizeof what);
    struct event_evidence item = {.log_ratio = codec_get_f64(in), .value = codec_get_f64(in)};
    for (int p = 0; p < EVIDENCE_PIECES; p++)
        if (strcmp(evidence_pieces[p].what, what) == 0) {
            item.what = evidence_pieces[p].what;
            l->items[l->count++] = item;
        }
}

static bool get_closed(struct trips *t, struct codec_in *in)
{
    char circuit[SITE_ID_SIZE];
    codec_get_string(in, circuit, sizeof circuit);
    uint32_t version = codec_get_u32(in);
    struct closed_case closed;
    struct trip_case *c = &closed.of;
    if (version > TRIPS_CASE_VERSION || !trips_get_case(t, in, version, c) ||
        c->state == CASE_NONE)
        return false;
    c->state = CASE_BACK;
    c->facts.back = true;
    c->facts.silent_seconds = codec_get_f64(in);
    c->facts.back_first_amps = codec_get_f64(in);
    c->facts.back_amps = codec_get_f64(in);
    c->taught_levels = codec_get_u8(in);
    c->evidence.sum = codec_get_f64(in);
    int pieces = version >= 6 ? EVIDENCE_PIECES : PIECE_RESET_AT_ONCE;
    for (int p = 0; p < pieces; p++)
        c->evidence.ratios[p] = codec_get_f64(in);
    uint8_t items = codec_get_u8(in);
    if (in->failed || items > EVIDENCE_MAX || !(c->facts.silent_seconds >= 0.0) ||
        !isfinite(c->evidence.sum))
        return false;
    for (uint8_t p = 0; p < items; p++)
        get_item(in, &c->evidence);
    int i = site_find_circuit(t->site, circuit);
    if (in->failed || i < 0)
        return !in->failed; /* the site no longer has it */
    closed.circuit = (size_t)i;
    t->closed[t->closed_count++ % CLOSED_MOST] = closed;
    return true;
}

static bool get_site(struct trips *t, struct codec_in *in, uint32_t version)
{
    double openings = codec_get_f64(in), days = codec_get_f64(in);
    double hands = codec_get_f64(in), faults = codec_get_f64(in);
    struct stillness lost = {0}, off = {0};
    if (version >= 3 && (!stillness_load(&lost, in, version >= 6, STILLNESS_LOST_ODDS) ||
                         !stillness_load(&off, in, version >= 6, STILLNESS_OFF_ODDS)))
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
            (tag == TAG_CLOSED && !get_closed(t, &section)) ||
            (tag == TAG_CIRCUIT && !get_history(t, &section)))
            return false;
    trips_settle_levels(t);
    return !in->failed;
}

/* ---- what people say -----------------------------------------------------------------------
 */

struct remembered *trips_recall(struct trips *t, const char *id)
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
    struct remembered *r = trips_recall(t, id);
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
    trips_review_forget(t, id);
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
