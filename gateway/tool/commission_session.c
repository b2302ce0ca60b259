#include "commission_session.h"

#include "beat.h"

#include "base/clock.h"
#include "base/queue.h"
#include "drivers/assemble.h"

#include <stdio.h>
#include <stdlib.h>

#define REPORTS 256
#define LEAD_MS 6000 /* before the first beat: to put the telephone down */
#define SLOWEST_MS 2000
#define PATIENCE_MS 5000 /* for the last readings of a walk */

struct commission_session {
    struct config *config;
    struct bus *buses[SITE_MAX_BUSES];
    struct queue *reports;
    struct assemble *assemble;
    struct wiring_check *check;
    int64_t last_mono_ms;
    uint64_t readings;
};

static void take_report(void *context, struct bus_report *r)
{
    if (!queue_push(context, r))
        bus_report_free(r);
}

static void take_frame(void *context, const struct frame *f)
{
    struct commission_session *s = context;
    wiring_check_feed(s->check, f);
    s->last_mono_ms = f->mono_ms;
    for (size_t i = 0; i < f->poles; i++)
        s->readings += f->values[i] >= 0.0F;
}

static bool start(struct commission_session *s)
{
    const struct site *site = &s->config->site;
    int64_t origin = bus_origin_us();
    uint32_t has = 0;
    s->reports = queue_create(REPORTS);
    s->check = wiring_check_create(site);
    for (size_t i = 0; s->reports && s->check && i < site->bus_count; i++) {
        char why[256];
        struct bus_options o = {.site = site,
                                .maps = &s->config->maps,
                                .bus = (int)i,
                                .only_meter = -1,
                                .origin_mono_us = origin,
                                .deliver = take_report,
                                .context = s->reports};
        s->buses[i] = bus_start(&o, why, sizeof why);
        if (!s->buses[i]) {
            fprintf(stderr, "foretrip commission: bus %s: %s\n", site->buses[i].id, why);
            return false;
        }
        has |= bus_has(s->buses[i]);
    }
    s->assemble = s->check ? assemble_create(site, has, take_frame, s) : NULL;
    return s->assemble != NULL;
}

/* Every bus as often as the slowest, so that each frame has all meters and steps can be
 * compared; not where that would be too seldom to see a step at all. */
static void poll_alike(struct site *s)
{
    int slowest = 0;
    for (size_t i = 0; i < s->bus_count; i++)
        slowest = s->buses[i].poll_ms > slowest ? s->buses[i].poll_ms : slowest;
    for (size_t i = 0; slowest <= SLOWEST_MS && i < s->bus_count; i++)
        s->buses[i].poll_ms = slowest;
}

struct commission_session *commission_open(struct config *c)
{
    struct commission_session *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    s->config = c;
    poll_alike(&c->site);
    if (!start(s)) {
        commission_close(s);
        return NULL;
    }
    return s;
}

void commission_close(struct commission_session *s)
{
    if (!s)
        return;
    for (size_t i = 0; i < SITE_MAX_BUSES; i++)
        bus_stop(s->buses[i]);
    for (struct bus_report *r; s->reports && (r = queue_pop(s->reports, 0));)
        bus_report_free(r);
    queue_destroy(s->reports);
    assemble_destroy(s->assemble);
    wiring_check_destroy(s->check);
    free(s);
}

static bool listen_until(void *context, int64_t until_mono_ms)
{
    struct commission_session *s = context;
    for (int64_t now = clock_mono_ms(); now < until_mono_ms; now = clock_mono_ms()) {
        int64_t deadline = assemble_deadline_mono_ms(s->assemble);
        int64_t wait = (deadline < until_mono_ms ? deadline : until_mono_ms) - now;
        struct bus_report *r = queue_pop(s->reports, wait > 0 ? wait : 0);
        if (r)
            assemble_report(s->assemble, r);
        bus_report_free(r);
        assemble_time(s->assemble, clock_mono_ms());
    }
    return true;
}

void commission_listen(struct commission_session *s, int64_t ms)
{
    listen_until(s, clock_mono_ms() + ms);
}

const struct wiring_check *commission_check(const struct commission_session *s)
{
    return s->check;
}

bool commission_has_read(const struct commission_session *s)
{
    return s->readings > 0;
}

void commission_change_load(struct commission_session *s)
{
    wiring_walk_change_load(wiring_check_walk(s->check));
}

const struct wiring_walked *commission_walk(struct commission_session *s, int circuit,
                                            bool *again)
{
    struct wiring_walk *walk = wiring_check_walk(s->check);
    struct trace_plan plan;
    int64_t begin = (clock_mono_ms() + LEAD_MS) / 1000 * 1000;
    wiring_walk_begin(walk, circuit, begin, &plan);
    beat_give(&plan, listen_until, s);
    puts("  Leave it off. The last readings are on their way ...");
    while (s->last_mono_ms < plan.end_wall_ms &&
           clock_mono_ms() < plan.end_wall_ms + PATIENCE_MS)
        commission_listen(s, 200);
    return wiring_walk_judge(walk, again);
}
