/* Service calls over a restart: the open ones, the stops, and the trips that are open. */
#include "calls_state.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

enum { TAG_CALL = 1, TAG_CIRCUIT = 2 };

/* ---- out ---- */

static void put_number(struct codec_out *o, double v) /* which may be none */
{
    if (isnan(v)) {
        codec_put_u8(o, 0);
        return;
    }
    codec_put_u8(o, 1);
    codec_put_f64(o, v);
}

static void put_before(struct codec_out *o, const struct call_before *b, size_t count)
{
    codec_put_u8(o, (uint8_t)count);
    for (size_t i = 0; i < count; i++) {
        codec_put_string(o, b[i].appliance);
        put_number(o, b[i].amps);
    }
}

static void put_load(struct codec_out *o, const struct call_load *l)
{
    codec_put_string(o, l->name);
    codec_put_string(o, l->appliance);
    put_number(o, l->appliance_probability);
    put_number(o, l->amps);
    put_number(o, l->inrush_amps);
    codec_put_i64(o, l->connected_wall_ms);
    put_number(o, l->seconds);
    codec_put_u8(o, (uint8_t)l->outcome);
}

static void put_circuit_id(const struct calls *c, struct codec_out *o, int circuit)
{
    codec_put_string(o, circuit >= 0 ? c->site->circuits[circuit].id : "");
}

static void put_call(const struct calls *c, struct codec_out *o, const struct call *k)
{
    codec_put_string(o, k->id);
    put_circuit_id(c, o, k->circuit);
    put_circuit_id(c, o, k->dark);
    put_circuit_id(c, o, k->other);
    codec_put_string(o, k->trip);
    codec_put_u8(o, (uint8_t)k->cause);
    put_number(o, k->cause_probability);
    put_number(o, k->fault_probability);
    put_number(o, k->worn_probability);
    codec_put_i64(o, k->opened_wall_ms);
    put_number(o, k->amps_before);
    put_before(o, k->before, k->before_count);
    codec_put_u8(o, (uint8_t)k->stage);
    codec_put_u8(o, (uint8_t)k->resume);
    codec_put_u32(o, k->question);
    codec_put_u32(o, k->steps);
    codec_put_i64(o, k->begun_wall_ms);
    codec_put_i64(o, k->said_wall_ms);
    codec_put_u8(o, k->waiting);
    codec_put_u8(o, k->loads_off);
    codec_put_u8(o, k->may_not);
    codec_put_string(o, k->by);
    codec_put_string(o, k->device);
    codec_put_u8(o, (uint8_t)k->as);
    codec_put_u8(o, (uint8_t)k->last_answer);
    codec_put_u32(o, (uint32_t)k->resets);
    put_number(o, k->peak_amps);
    codec_put_u8(o, (uint8_t)k->load_count);
    for (size_t i = 0; i < k->load_count; i++)
        put_load(o, &k->loads[i]);
}

static void put_circuit(struct codec_out *o, const struct call_circuit *k,
                        const struct calls *c)
{
    codec_put_u8(o, (uint8_t)k->stopped);
    codec_put_string(o, k->trip);
    codec_put_u8(o, (uint8_t)k->cause);
    put_number(o, k->probability);
    put_number(o, k->cause_probability);
    put_number(o, k->fault_probability);
    put_number(o, k->worn_probability);
    codec_put_i64(o, k->opened_wall_ms);
    put_number(o, k->amps_before);
    codec_put_u8(o, k->upstream == TRIP_UPSTREAM_UTILITY);
    put_circuit_id(c, o, k->upstream);
    put_before(o, k->before, k->before_count);
}

void calls_save(const struct calls *c, struct codec_out *out)
{
    for (size_t i = 0; i < CALLS_MOST; i++) {
        if (!c->calls[i].open)
            continue;
        size_t begun = codec_begin(out, TAG_CALL);
        put_call(c, out, &c->calls[i].call);
        put_number(out, c->calls[i].base_amps);
        codec_end(out, begun);
    }
    for (size_t i = 0; i < c->site->circuit_count; i++) {
        if (!c->circuits[i].trip[0] && c->circuits[i].stopped == CALL_FOUND_NOTHING)
            continue;
        size_t begun = codec_begin(out, TAG_CIRCUIT);
        codec_put_string(out, c->site->circuits[i].id);
        put_circuit(out, &c->circuits[i], c);
        codec_end(out, begun);
    }
}

/* ---- in ---- */

static double get_number(struct codec_in *i)
{
    return codec_get_u8(i) ? codec_get_f64(i) : (double)NAN;
}

/* below the bound, or the reading fails */
static int get_below(struct codec_in *i, int bound)
{
    int v = codec_get_u8(i);
    i->failed = i->failed || v >= bound;
    return i->failed ? 0 : v;
}

static size_t get_before(struct codec_in *i, struct call_before *b)
{
    size_t count = (size_t)get_below(i, CALL_MOST_BEFORE + 1);
    for (size_t n = 0; n < count && !i->failed; n++) {
        codec_get_string(i, b[n].appliance, sizeof b[n].appliance);
        b[n].amps = get_number(i);
    }
    return count;
}

static void get_load(struct codec_in *i, struct call_load *l)
{
    codec_get_string(i, l->name, sizeof l->name);
    codec_get_string(i, l->appliance, sizeof l->appliance);
    l->appliance_probability = get_number(i);
    l->amps = get_number(i);
    l->inrush_amps = get_number(i);
    l->connected_wall_ms = codec_get_i64(i);
    l->seconds = get_number(i);
    l->outcome = (enum call_outcome)get_below(i, CALL_OUTCOMES);
}

/* -1: none, or no longer there */
static int get_circuit_id(const struct calls *c, struct codec_in *i)
{
    char id[SITE_ID_SIZE];
    codec_get_string(i, id, sizeof id);
    return i->failed || id[0] == '\0' ? -1 : site_find_circuit(c->site, id);
}

static void get_call(const struct calls *c, struct codec_in *i, struct call *k)
{
    codec_get_string(i, k->id, sizeof k->id);
    k->circuit = get_circuit_id(c, i);
    k->dark = get_circuit_id(c, i);
    k->other = get_circuit_id(c, i);
    codec_get_string(i, k->trip, sizeof k->trip);
    k->cause = (enum trip_cause)get_below(i, CAUSE_COUNT);
    k->cause_probability = get_number(i);
    k->fault_probability = get_number(i);
    k->worn_probability = get_number(i);
    k->opened_wall_ms = codec_get_i64(i);
    k->amps_before = get_number(i);
    k->before_count = get_before(i, k->before);
    k->stage = (enum call_stage)get_below(i, CALL_ENDED); /* an ended one is not kept */
    k->resume = (enum call_stage)get_below(i, CALL_ENDED);
    k->question = codec_get_u32(i);
    k->steps = codec_get_u32(i);
    k->begun_wall_ms = codec_get_i64(i);
    k->said_wall_ms = codec_get_i64(i);
    k->waiting = codec_get_u8(i);
    k->loads_off = codec_get_u8(i);
    k->may_not = codec_get_u8(i);
    codec_get_string(i, k->by, sizeof k->by);
    codec_get_string(i, k->device, sizeof k->device);
    k->as = (enum call_as)get_below(i, CALL_ASES);
    k->last_answer = (enum call_answer)get_below(i, CALL_ANSWERS);
    k->resets = (int)(codec_get_u32(i) & 0xffff);
    k->peak_amps = get_number(i);
    k->load_count = (size_t)get_below(i, CALL_MOST_LOADS + 1);
    for (size_t n = 0; n < k->load_count && !i->failed; n++)
        get_load(i, &k->loads[n]);
}

/* what the stages take for granted */
static bool is_whole(const struct call *k)
{
    bool has_load =
        k->load_count > 0 && k->loads[k->load_count - 1].outcome == CALL_LOAD_WATCHED;
    return k->by[0] != '\0' && k->id[0] != '\0' && (k->stage != CALL_WATCH || has_load) &&
           (k->stage != CALL_WRONG_BREAKER || k->other >= 0) &&
           (k->resume <= CALL_OFF || k->resume == CALL_NEXT);
}

static bool load_call(struct calls *c, struct codec_in *in)
{
    struct call k = {0};
    get_call(c, in, &k);
    /* the first versions did not keep it: then it is the next reading, or all that is watched
     */
    double base_amps = in->at < in->end        ? get_number(in)
                       : k.stage == CALL_WATCH ? 0.0
                                               : (double)NAN;
    if (in->failed || !is_whole(&k))
        return false;
    if (k.circuit < 0 || k.dark < 0)
        return true; /* the site no longer has it */
    for (size_t i = 0; i < CALLS_MOST; i++) {
        if (c->calls[i].open)
            continue;
        c->calls[i] = (struct call_watched){.open = true,
                                            .call = k,
                                            .base_amps = base_amps,
                                            .amps = (double)NAN,
                                            .last_amps = (double)NAN};
        c->open++;
        return true;
    }
    return false;
}

static bool load_circuit(struct calls *c, struct codec_in *in)
{
    struct call_circuit k = {0};
    int at = get_circuit_id(c, in);
    k.stopped = (enum call_finding)get_below(in, CALL_FINDINGS);
    codec_get_string(in, k.trip, sizeof k.trip);
    k.cause = (enum trip_cause)get_below(in, CAUSE_COUNT);
    k.probability = get_number(in);
    k.cause_probability = get_number(in);
    k.fault_probability = get_number(in);
    k.worn_probability = get_number(in);
    k.opened_wall_ms = codec_get_i64(in);
    k.amps_before = get_number(in);
    bool utility = codec_get_u8(in);
    k.upstream = get_circuit_id(c, in);
    if (utility)
        k.upstream = TRIP_UPSTREAM_UTILITY;
    k.before_count = get_before(in, k.before);
    if (in->failed)
        return false;
    if (at >= 0) {
        c->stops += (k.stopped != CALL_FOUND_NOTHING) -
                    (size_t)(c->circuits[at].stopped != CALL_FOUND_NOTHING);
        c->circuits[at] = k;
    }
    return true;
}

bool calls_load(struct calls *c, struct codec_in *in)
{
    struct codec_in section;
    uint32_t tag;
    while (codec_next(in, &tag, &section)) {
        if (tag == TAG_CALL && !load_call(c, &section))
            return false;
        if (tag == TAG_CIRCUIT && !load_circuit(c, &section))
            return false;
    }
    return !in->failed;
}
