#include "assemble.h"

#include <math.h>
#include <stdlib.h>

#include "base/clock.h"

#define CLOCK_STEP_MS 250 /* what keeps a clock true moves it by less between two frames */

struct assemble {
    const struct site *site;
    assemble_sink *sink;
    void *context;
    struct frame *frame;
    struct frame_taken *taken; /* per pole, from its own report's tick */
    int64_t *tick_ms;          /* of that report */
    int64_t period_ms;
    bool open;             /* a quick bus has begun the tick */
    int64_t last_mono_ms;  /* of the frame given out last */
    int64_t wall_ahead_ms; /* then, of mono */
    size_t quick_count;    /* buses that are waited for */
    size_t arrived;
    uint8_t seen[SITE_MAX_BUSES];
    int64_t zone_until_ms; /* wall time up to which the offset holds */
    int64_t zone_from_ms;
    struct assemble_counters counters;
};

static bool bus_has_meters(const struct site *s, size_t bus)
{
    for (size_t i = 0; i < s->meter_count; i++)
        if (s->meters[i].bus == (int)bus)
            return true;
    return false;
}

static bool is_quick(const struct assemble *a, int bus)
{
    return a->site->buses[bus].poll_ms == a->period_ms;
}

struct assemble *assemble_create(const struct site *s, uint32_t has, assemble_sink *sink,
                                 void *context)
{
    struct assemble *a = calloc(1, sizeof *a);
    if (!a)
        return NULL;
    *a = (struct assemble){.site = s, .sink = sink, .context = context, .period_ms = INT64_MAX};
    a->last_mono_ms = INT64_MIN;
    a->frame = frame_create(s);
    a->taken = calloc(s->poles_total + 1, sizeof *a->taken);
    a->tick_ms = calloc(s->poles_total + 1, sizeof *a->tick_ms);
    if (!a->frame || !a->taken || !a->tick_ms) {
        assemble_destroy(a);
        return NULL;
    }
    a->frame->has = has;
    a->frame->taken = a->taken;
    for (size_t i = 0; i < s->bus_count; i++)
        if (bus_has_meters(s, i) && s->buses[i].poll_ms < a->period_ms)
            a->period_ms = s->buses[i].poll_ms;
    for (size_t i = 0; i < s->bus_count; i++)
        a->quick_count += bus_has_meters(s, i) && is_quick(a, (int)i);
    return a;
}

void assemble_destroy(struct assemble *a)
{
    if (!a)
        return;
    frame_destroy(a->frame);
    free(a->taken);
    free(a->tick_ms);
    free(a);
}

/* the zone's offset changes on a quarter of an hour at the earliest */
static int32_t local_offset(struct assemble *a, int64_t wall_ms)
{
    if (wall_ms < a->zone_from_ms || wall_ms >= a->zone_until_ms) {
        a->zone_from_ms = wall_ms - wall_ms % 900000;
        a->zone_until_ms = a->zone_from_ms + 900000;
        a->frame->utc_offset_seconds = clock_utc_offset_seconds(a->site->timezone, wall_ms);
    }
    return a->frame->utc_offset_seconds;
}

static void notice_step(struct assemble *a)
{
    int64_t ahead_ms = a->frame->wall_ms - a->frame->mono_ms;
    int64_t step_ms = ahead_ms - a->wall_ahead_ms;
    bool first = a->last_mono_ms == INT64_MIN;
    a->wall_ahead_ms = ahead_ms;
    if (first || (step_ms <= CLOCK_STEP_MS && step_ms >= -CLOCK_STEP_MS))
        return;
    a->counters.clock_steps++;
    a->counters.last_step_ms = step_ms;
}

/* when a slower bus read, from this frame's tick */
static void count_from_frame(struct assemble *a)
{
    for (size_t i = 0; i < a->frame->poles; i++)
        if (!isnan(a->frame->values[i]))
            a->taken[i].at_us += (int32_t)(1000 * (a->tick_ms[i] - a->frame->mono_ms));
}

static void give_out(struct assemble *a)
{
    a->counters.frames++;
    a->counters.incomplete += a->arrived < a->quick_count;
    a->frame->utc_offset_seconds = local_offset(a, a->frame->wall_ms);
    notice_step(a);
    count_from_frame(a);
    a->last_mono_ms = a->frame->mono_ms;
    a->open = false;
    a->sink(a->context, a->frame);
    frame_clear(a->frame);
    a->arrived = 0;
    for (size_t i = 0; i < SITE_MAX_BUSES; i++)
        a->seen[i] = 0;
}

static void merge(struct assemble *a, const struct bus_report *r)
{
    for (size_t i = 0; i < r->reading_count; i++) {
        const struct bus_reading *b = &r->readings[i];
        if (b->index < a->frame->count)
            a->frame->values[b->index] = b->value;
        if (b->index < a->frame->poles) {
            a->taken[b->index] = b->taken;
            a->tick_ms[b->index] = r->mono_ms;
        }
    }
}

void assemble_report(struct assemble *a, const struct bus_report *r)
{
    if (!is_quick(a, r->bus)) {
        merge(a, r);
        return;
    }
    /* ticks of one origin are equal; half a period tells neighbours apart anyway */
    int64_t half = a->period_ms / 2;
    if (a->open && r->mono_ms > a->frame->mono_ms + half)
        give_out(a);
    if (r->mono_ms <= (a->open ? a->frame->mono_ms - half - 1 : a->last_mono_ms + half) ||
        a->seen[r->bus]) {
        a->counters.late++;
        return;
    }
    if (!a->open) {
        a->open = true;
        a->frame->mono_ms = r->mono_ms;
        a->frame->wall_ms = r->wall_ms;
    }
    merge(a, r);
    a->seen[r->bus] = 1;
    if (++a->arrived == a->quick_count)
        give_out(a);
}

void assemble_time(struct assemble *a, int64_t now_mono_ms)
{
    if (now_mono_ms >= assemble_deadline_mono_ms(a))
        give_out(a);
}

int64_t assemble_deadline_mono_ms(const struct assemble *a)
{
    return a->open ? a->frame->mono_ms + a->period_ms : INT64_MAX;
}

const struct assemble_counters *assemble_counters(const struct assemble *a)
{
    return &a->counters;
}
