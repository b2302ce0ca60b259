#include "loads_inner.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

#define STATE_TAG 0x4c4f4144U   /* "LOAD" */
#define CIRCUIT_TAG 0x43495243U /* "CIRC" */
#define VERSION 11U
#define PORTRAIT_SINCE 10U /* an earlier one lacks figures: the circuit is looked at anew */
#define OLDEST 4U /* that is still read: names and what was learned outlive an upgrade */

/* What is kept of each struct, once for writing and for reading. */
enum kind { F32, I32, U32, I64, BOOL, TEXT };
struct member {
    size_t offset;
    size_t count; /* of an array; bytes of a text */
    enum kind kind;
    uint32_t since; /* the first version that has it */
};
#define SINCE(version, type, name, kind)                                                       \
    {                                                                                          \
        offsetof(type, name), 1, kind, version                                                 \
    }
#define ONE(type, name, kind) SINCE(OLDEST, type, name, kind)
#define MANY_SINCE(version, type, name, kind, count)                                           \
    {                                                                                          \
        offsetof(type, name), count, kind, version                                             \
    }
#define MANY(type, name, kind, count) MANY_SINCE(OLDEST, type, name, kind, count)

static const struct member steps_members[] = {
    ONE(struct steps, level, F32),
    ONE(struct steps, noise, F32),
    ONE(struct steps, band, F32),
    ONE(struct steps, known, BOOL),
    ONE(struct steps, kept, I32),
    ONE(struct steps, began_mono_ms, I64),
    ONE(struct steps, began_wall_ms, I64),
    MANY(struct steps, amps, F32, STEPS_KEEP),
    MANY(struct steps, after_ms, I32, STEPS_KEEP),
};

static const struct member run_members[] = {
    ONE(struct run, id, I64),
    ONE(struct run, began_mono_ms, I64),
    ONE(struct run, began_wall_ms, I64),
    ONE(struct run, on_mono_ms, I64),
    ONE(struct run, changed_mono_ms, I64),
    ONE(struct run, off_mono_ms, I64),
    ONE(struct run, off_wall_ms, I64),
    ONE(struct run, amps, F32),
    ONE(struct run, first, F32),
    ONE(struct run, stage, F32),
    ONE(struct run, inrush, F32),
    ONE(struct run, power_factor, F32),
    SINCE(5, struct run, lent, F32),
    ONE(struct run, most, F32),
    ONE(struct run, on_seconds, F32),
    ONE(struct run, pulses, I32),
    ONE(struct run, fell, F32),
    ONE(struct run, fell_mono_ms, I64),
    ONE(struct run, changes, I32),
    ONE(struct run, disturbed, I32),
    ONE(struct run, calm_ms, I32),
    ONE(struct run, charge, F32),
    ONE(struct run, square, F32),
    ONE(struct run, counted_mono_ms, I64),
    ONE(struct run, ripple, F32),
    ONE(struct run, rippled, F32),
    ONE(struct run, staged, BOOL),
    ONE(struct run, train, BOOL),
    ONE(struct run, goes_on, BOOL),
    ONE(struct run, pausing, BOOL),
    ONE(struct run, cut, BOOL),
    SINCE(7, struct run, shared, BOOL),
    ONE(struct run, load, U32),
    ONE(struct run, host, I64),
    SINCE(5, struct run, part, BOOL),
    SINCE(5, struct run, in_series, BOOL),
    ONE(struct run, programme, BOOL),
    ONE(struct run, inner, F32),
    ONE(struct run, inner_seconds, F32),
    ONE(struct run, inner_delay, F32),
    ONE(struct run, inners, I32),
    MANY(struct run, appliance, TEXT, EVENT_APPLIANCE_SIZE),
    ONE(struct run, probability, F32),
    ONE(struct run, essential, BOOL),
    ONE(struct run, announced, BOOL),
};

static const struct member runs_members[] = {
    ONE(struct runs, base, F32),
    SINCE(5, struct runs, loose, F32),
    MANY(struct runs, cut, F32, RUNS_RETURN),
    SINCE(8, struct runs, cut_loose, F32),
    SINCE(5, struct runs, switched, BOOL),
    MANY_SINCE(9, struct runs, gone, F32, RUNS_RETURN),
    SINCE(9, struct runs, gone_loose, F32),
    ONE(struct runs, low, F32),
    ONE(struct runs, low_mono_ms, I64),
    ONE(struct runs, edge_mono_ms, I64),
    ONE(struct runs, unrest, F32),
    ONE(struct runs, usual, F32),
    ONE(struct runs, counter, I64),
    ONE(struct runs, pulses.amps, F32),
    ONE(struct runs, pulses.vary, F32),
    ONE(struct runs, pulses.longest, F32),
    ONE(struct runs, pulses.count, I32),
    ONE(struct runs, told_amps, F32),
    ONE(struct runs, told_off_mono_ms, I64),
    ONE(struct runs, told_id, I64),
};

static const struct member rest_members[] = {
    ONE(struct runs_rest, level, F32),
    ONE(struct runs_rest, mono_ms, I64),
    MANY(struct runs_rest, ids, I64, RUNS_MAX),
    MANY_SINCE(9, struct runs_rest, amps, F32, RUNS_MAX),
    SINCE(9, struct runs_rest, below, BOOL),
    ONE(struct runs_rest, count, I32),
};

static const struct member learned_members[] = {
    ONE(struct learned_load, id, U32),
    MANY(struct learned_load, name, TEXT, EVENT_APPLIANCE_SIZE),
    ONE(struct learned_load, lately, F32),
    ONE(struct learned_load, runs, F32),
    ONE(struct learned_load, first_wall_ms, I64),
    ONE(struct learned_load, last_wall_ms, I64),
    ONE(struct learned_load, amps.mean, F32),
    ONE(struct learned_load, amps.variance, F32),
    ONE(struct learned_load, seconds.mean, F32),
    ONE(struct learned_load, seconds.variance, F32),
    ONE(struct learned_load, inrush.mean, F32),
    ONE(struct learned_load, inrush.variance, F32),
    ONE(struct learned_load, gap.mean, F32),
    ONE(struct learned_load, gap.variance, F32),
    ONE(struct learned_load, spread, F32),
    ONE(struct learned_load, changes, F32),
    ONE(struct learned_load, pulses, F32),
    ONE(struct learned_load, ripple, F32),
    ONE(struct learned_load, fading, F32),
    ONE(struct learned_load, charge, F32),
    ONE(struct learned_load, power_factor, F32),
    MANY(struct learned_load, hours, F32, 24),
    ONE(struct learned_load, last_amps, F32),
    ONE(struct learned_load, last_seconds, F32),
    ONE(struct learned_load, twins, F32),
    SINCE(5, struct learned_load, streak, F32),
    ONE(struct learned_load, programmes, F32),
    ONE(struct learned_load, staged, F32),
    ONE(struct learned_load, stage.mean, F32),
    ONE(struct learned_load, stage.variance, F32),
    ONE(struct learned_load, stage_seconds.mean, F32),
    ONE(struct learned_load, stage_seconds.variance, F32),
    ONE(struct learned_load, delay.mean, F32),
    ONE(struct learned_load, delay.variance, F32),
    ONE(struct learned_load, stages, F32),
    SINCE(5, struct learned_load, series, F32),
    SINCE(5, struct learned_load, rich, F32),
    SINCE(6, struct learned_load, growth, F32),
};

#define SUM_SINCE(version, name)                                                               \
    SINCE(version, struct circuit, portrait.name.weight, F32),                                 \
        SINCE(version, struct circuit, portrait.name.x, F32),                                  \
        SINCE(version, struct circuit, portrait.name.xx, F32)
#define SUM(name) SUM_SINCE(8, name)

static const struct member circuit_members[] = {
    MANY(struct circuit, hour_low, F32, STANDING_HOURS),
    ONE(struct circuit, hour, I64),
    ONE(struct circuit, hours, I32),
    ONE(struct circuit, begun, BOOL),
    ONE(struct circuit, begun_wall_ms, I64),
    ONE(struct circuit, watts, F32),
    ONE(struct circuit, watts_known, BOOL),
    ONE(struct circuit, rested_from, I64),
    SINCE(5, struct circuit, series.began_mono_ms, I64),
    SINCE(5, struct circuit, series.until_mono_ms, I64),
    SINCE(5, struct circuit, series.loads, U32),
    SINCE(5, struct circuit, series.runs, I32),
    SINCE(5, struct circuit, series.large, BOOL),
    SINCE(5, struct circuit, series.told, BOOL),
    MANY_SINCE(8, struct circuit, alone, TEXT, EVENT_APPLIANCE_SIZE),
    SINCE(8, struct circuit, alone_probability, F32),
    SINCE(8, struct circuit, held_amps, F32),
    SINCE(8, struct circuit, held_mono_ms, I64),
    SINCE(8, struct circuit, portrait.seconds, F32),
    MANY_SINCE(8, struct circuit, portrait.level, F32, PORTRAIT_LEVELS),
    SINCE(8, struct circuit, portrait.energy, F32),
    SINCE(8, struct circuit, portrait.wander, F32),
    SINCE(8, struct circuit, portrait.runs, F32),
    SINCE(8, struct circuit, portrait.on_seconds, F32),
    SINCE(8, struct circuit, portrait.night, F32),
    SINCE(8, struct circuit, portrait.evening, F32),
    SUM(watts_by_charge),
    SUM(watts_by_run),
    SUM(seconds_by_run),
    SUM(seconds_by_time),
    SUM(gap),
    SUM(shape[0]),
    SUM(shape[1]),
    SUM(shape[2]),
    SUM(shape[3]),
    SUM(shape[4]),
    SUM(shape[5]),
    SUM(shape[6]),
    SINCE(8, struct circuit, portrait.unfaded, F32),
    SINCE(8, struct circuit, portrait.last_wall_ms, I64),
    MANY_SINCE(10, struct circuit, portrait.quarter, F32, PORTRAIT_QUARTERS),
    SINCE(10, struct circuit, portrait.up_seconds, F32),
    SINCE(10, struct circuit, portrait.quiet_seconds, F32),
    SUM_SINCE(10, flutter),
    SUM_SINCE(10, unrest),
    SINCE(10, struct circuit, portrait.rest_watts, F32),
    SINCE(11, struct circuit, portrait.rises, F32),
    SINCE(11, struct circuit, portrait.from_low, F32),
    SINCE(11, struct circuit, portrait.falls, F32),
    SINCE(11, struct circuit, portrait.to_low, F32),
};
#define COUNT(a) (sizeof(a) / sizeof *(a))

static void put(struct codec_out *out, const void *object, const struct member *m, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const char *at = (const char *)object + m[i].offset;
        if (m[i].kind == TEXT)
            codec_put_string(out, at);
        for (size_t k = 0; k < m[i].count && m[i].kind != TEXT; k++)
            switch (m[i].kind) {
            case F32: {
                float v = ((const float *)(const void *)at)[k];
                codec_put_f32(out, isfinite(v) ? v : 0);
                break;
            }
            case I32:
                codec_put_u32(out, (uint32_t)((const int32_t *)(const void *)at)[k]);
                break;
            case U32: codec_put_u32(out, ((const uint32_t *)(const void *)at)[k]); break;
            case I64: codec_put_i64(out, ((const int64_t *)(const void *)at)[k]); break;
            case BOOL: codec_put_u8(out, ((const bool *)(const void *)at)[k]); break;
            case TEXT: break;
            }
    }
}

/* What that version had of it; the rest stays as it was. */
static void get(struct codec_in *in, uint32_t version, void *object, const struct member *m,
                size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (m[i].since > version)
            continue;
        char *at = (char *)object + m[i].offset;
        if (m[i].kind == TEXT)
            codec_get_string(in, at, m[i].count);
        for (size_t k = 0; k < m[i].count && m[i].kind != TEXT; k++)
            switch (m[i].kind) {
            case F32: ((float *)(void *)at)[k] = codec_get_f32(in); break;
            case I32: ((int32_t *)(void *)at)[k] = (int32_t)codec_get_u32(in); break;
            case U32: ((uint32_t *)(void *)at)[k] = codec_get_u32(in); break;
            case I64: ((int64_t *)(void *)at)[k] = codec_get_i64(in); break;
            case BOOL: ((bool *)(void *)at)[k] = codec_get_u8(in) != 0; break;
            case TEXT: break;
            }
    }
}

static void save_circuit(const struct loads *l, size_t i, struct codec_out *out)
{
    const struct circuit *c = &l->circuits[i];
    size_t at = codec_begin(out, CIRCUIT_TAG);
    codec_put_string(out, l->site->circuits[i].id);
    put(out, &c->steps, steps_members, COUNT(steps_members));
    for (int k = 0; k < RUNS_MAX; k++)
        put(out, &c->runs.all[k], run_members, COUNT(run_members));
    put(out, &c->runs, runs_members, COUNT(runs_members));
    for (int k = 0; k < RUNS_RESTS; k++)
        put(out, &c->runs.rests[k], rest_members, COUNT(rest_members));
    for (int k = 0; k < LEARNED_MAX; k++)
        put(out, &c->learned.loads[k], learned_members, COUNT(learned_members));
    codec_put_u32(out, c->learned.last_id);
    put(out, c, circuit_members, COUNT(circuit_members));
    codec_put_f32(out, l->offset[i]);
    codec_put_f32(out, l->deviation[i]);
    codec_put_u8(out, l->cut[i]);
    codec_end(out, at);
}

void loads_save(const struct loads *l, struct codec_out *out)
{
    size_t at = codec_begin(out, STATE_TAG);
    codec_put_u32(out, VERSION);
    codec_put_i64(out, l->frames);
    codec_put_i64(out, l->mono_ms);
    codec_put_i64(out, l->wall_ms);
    codec_put_i64(out, l->due_mono_ms);
    for (size_t i = 0; i < l->count; i++)
        save_circuit(l, i, out);
    codec_end(out, at);
}

/* False when what was read makes no sense. A circuit that the site no longer has is passed
 * over. */
static bool load_circuit(struct loads *l, struct codec_in *in, uint32_t version)
{
    char id[SITE_ID_SIZE];
    struct circuit c = {0};
    codec_get_string(in, id, sizeof id);
    int i = in->failed ? -1 : site_find_circuit(l->site, id);
    get(in, version, &c.steps, steps_members, COUNT(steps_members));
    for (int k = 0; k < RUNS_MAX; k++)
        get(in, version, &c.runs.all[k], run_members, COUNT(run_members));
    get(in, version, &c.runs, runs_members, COUNT(runs_members));
    bool good = true;
    for (int k = 0; k < RUNS_RESTS && version >= 5; k++) {
        get(in, version, &c.runs.rests[k], rest_members, COUNT(rest_members));
        if (version < 9)
            c.runs.rests[k].below = true; /* how much each run drew was not kept */
        good = good && c.runs.rests[k].count >= 0 && c.runs.rests[k].count <= RUNS_MAX;
    }
    for (int k = 0; k < LEARNED_MAX; k++)
        get(in, version, &c.learned.loads[k], learned_members, COUNT(learned_members));
    c.learned.last_id = codec_get_u32(in);
    get(in, version, &c, circuit_members, COUNT(circuit_members));
    if (version < PORTRAIT_SINCE)
        c.portrait = (struct portrait){0};
    float offset = codec_get_f32(in), deviation = codec_get_f32(in);
    bool cut = codec_get_u8(in) != 0;
    if (in->failed || in->at != in->end || !good || c.steps.kept < 0 ||
        c.steps.kept > STEPS_KEEP || c.hours < 0 || c.hours > STANDING_HOURS || c.hour < 0)
        return false;
    if (i < 0)
        return true;
    l->circuits[i] = c;
    l->offset[i] = offset;
    l->deviation[i] = deviation;
    l->level[i] = c.steps.level;
    l->band[i] = c.steps.band;
    l->cut[i] = cut;
    return true;
}

static void forget(struct loads *l)
{
    for (size_t i = 0; i < l->count; i++) {
        l->circuits[i] = (struct circuit){0};
        l->offset[i] = l->deviation[i] = l->level[i] = 0;
        l->band[i] = -1;
        l->cut[i] = false;
    }
    l->frames = l->mono_ms = l->wall_ms = 0;
    l->due_mono_ms = INT64_MAX;
}

bool loads_load(struct loads *l, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in state, circuit;
    if (!codec_next(in, &tag, &state) || tag != STATE_TAG)
        return false;
    uint32_t version = codec_get_u32(&state);
    if (version < OLDEST || version > VERSION)
        return !state.failed; /* of another program: begin anew */
    l->frames = codec_get_i64(&state);
    l->mono_ms = codec_get_i64(&state);
    l->wall_ms = codec_get_i64(&state);
    l->due_mono_ms = codec_get_i64(&state);
    bool good = !state.failed && l->frames >= 0;
    while (good && codec_next(&state, &tag, &circuit))
        good = tag != CIRCUIT_TAG || load_circuit(l, &circuit, version);
    good = good && !state.failed;
    if (!good)
        forget(l);
    return good;
}
