/* A site's wiring over its buses: polls all of them, with a walk if wanted, and says what is
 * wrong. */
#include "commission.h"

#include "base/clock.h"
#include "base/queue.h"
#include "drivers/assemble.h"

#include <stdio.h>
#include <string.h>

#define REPORTS 256
#define BEAT_MS 8000
#define WALK_TRIES 3

struct live {
    struct config *config;
    struct bus *buses[SITE_MAX_BUSES];
    struct queue *reports;
    struct assemble *assemble;
    struct wiring_check *check;
    uint64_t frames, readings;
};

static void take_report(void *context, struct bus_report *r)
{
    if (!queue_push(context, r))
        bus_report_free(r);
}

static void take_frame(void *context, const struct frame *f)
{
    struct live *l = context;
    wiring_check_feed(l->check, f);
    l->frames++;
    for (size_t i = 0; i < f->poles; i++)
        l->readings += f->values[i] >= 0.0F;
}

static void listen_for(struct live *l, int64_t ms)
{
    int64_t until = clock_mono_ms() + ms;
    for (int64_t now = clock_mono_ms(); now < until; now = clock_mono_ms()) {
        int64_t deadline = assemble_deadline_mono_ms(l->assemble);
        int64_t wait = (deadline < until ? deadline : until) - now;
        struct bus_report *r = queue_pop(l->reports, wait > 0 ? wait : 0);
        if (r)
            assemble_report(l->assemble, r);
        bus_report_free(r);
        assemble_time(l->assemble, clock_mono_ms());
    }
}

static bool start(struct live *l)
{
    const struct site *s = &l->config->site;
    int64_t origin = bus_origin_us();
    uint32_t has = 0;
    l->reports = queue_create(REPORTS);
    l->check = wiring_check_create(s);
    for (size_t i = 0; l->reports && l->check && i < s->bus_count; i++) {
        char why[256];
        struct bus_options o = {.site = s,
                                .maps = &l->config->maps,
                                .bus = (int)i,
                                .only_meter = -1,
                                .origin_mono_us = origin,
                                .deliver = take_report,
                                .context = l->reports};
        l->buses[i] = bus_start(&o, why, sizeof why);
        if (!l->buses[i]) {
            fprintf(stderr, "foretrip commission: bus %s: %s\n", s->buses[i].id, why);
            return false;
        }
        has |= bus_has(l->buses[i]);
    }
    l->assemble = l->check ? assemble_create(s, has, take_frame, l) : NULL;
    return l->assemble != NULL;
}

static void stop(struct live *l)
{
    for (size_t i = 0; i < SITE_MAX_BUSES; i++)
        bus_stop(l->buses[i]);
    for (struct bus_report *r; l->reports && (r = queue_pop(l->reports, 0));)
        bus_report_free(r);
    queue_destroy(l->reports);
    assemble_destroy(l->assemble);
    wiring_check_destroy(l->check);
}

static void one_walk(struct live *l, int circuit)
{
    wiring_check_walk(l->check, circuit);
    for (int i = 0; i < 4; i++) {
        printf("  %s, and wait ...\n", i % 2 ? "OFF" : "ON");
        fflush(stdout);
        listen_for(l, BEAT_MS);
    }
    wiring_check_walk(l->check, -1);
}

/* False when there is to be no more of it. */
static bool walk_circuit(struct live *l, int circuit)
{
    const struct site *s = &l->config->site;
    char name[2 * SITE_NAME_SIZE + 32], question[2 * SITE_NAME_SIZE + 96], answer[16];
    site_describe_circuit(s, circuit, name, sizeof name);
    snprintf(question, sizeof question, "%s: ready (Enter), skip (s), or end (q)?", name);
    for (int i = 0; i < WALK_TRIES; i++) {
        commission_ask(question, "", answer, sizeof answer);
        if (answer[0] == 's' || answer[0] == 'q')
            return answer[0] != 'q';
        one_walk(l, circuit);
        int shown = wiring_check_walked(l->check, circuit);
        if (shown == circuit) {
            puts("  seen on its own channel");
            return true;
        }
        if (shown >= 0) {
            printf("  seen on the channel of %s\n",
                   site_describe_circuit(s, shown, name, sizeof name));
            return true;
        }
        puts("  not seen clearly; once more, with a larger load, and nothing else switched "
             "meanwhile");
    }
    return true;
}

static void walk_all(struct live *l)
{
    const struct site *s = &l->config->site;
    puts("A walk: for each breaker, plug a load of 500 W or more (a kettle, a heater) into a "
         "receptacle of its circuit, and switch it on and off when told to. Nobody has to open "
         "a "
         "panel or touch a breaker for it.");
    for (size_t i = 0; i < s->circuit_count; i++)
        if (s->circuits[i].meter >= 0 && s->circuits[i].feeds_panel < 0 &&
            !walk_circuit(l, (int)i))
            break;
}

enum exit_code commission_live(const struct commission_options *o, struct config *c)
{
    struct live l = {.config = c};
    enum exit_code code = EXIT_BAD;
    if (start(&l)) {
        if (o->walk)
            walk_all(&l);
        if (o->seconds > 0) {
            printf(
                "reading %zu meter%s for %d s; whatever goes on and off meanwhile is compared "
                "...\n",
                c->site.meter_count, c->site.meter_count == 1 ? "" : "s", o->seconds);
            fflush(stdout);
            listen_for(&l, (int64_t)o->seconds * 1000);
        }
        if (l.readings == 0)
            fputs(
                "foretrip commission: no meter gave a current; foretrip read METER says why\n",
                stderr);
        else
            code = commission_say(&c->site, l.check);
    }
    stop(&l);
    return code;
}
