#include "bus.h"

#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "bus_tick.h"
#include "connect.h"
#include "wait.h"

#define PATIENCE_MS 120000 /* the resolver may take a minute over a name */

struct bus {
    struct bus_state state; /* the thread's own once it runs */
    bus_deliver *deliver;
    void *context;
    int64_t origin_us;
    uint32_t has;
    double round_ms;
    int stop_fd;
    atomic_bool stopping;
    pthread_t thread;
    pthread_mutex_t lock;
    struct bus_counters published;
    struct pulse pulse;
};

int64_t bus_origin_us(void)
{
    int64_t mono_us = clock_mono_us(), wall_ms = clock_wall_ms();
    int64_t ahead_ms = 1000 - wall_ms % 1000;
    return mono_us + (ahead_ms < 50 ? ahead_ms + 1000 : ahead_ms) * 1000;
}

void bus_report_free(struct bus_report *r)
{
    free(r);
}

static void publish(struct bus *b)
{
    pthread_mutex_lock(&b->lock);
    b->published = b->state.tally;
    pthread_mutex_unlock(&b->lock);
}

/* The number of the first tick that is not over: late by more than half a period is missed. */
static uint64_t next_tick(const struct bus *b, int64_t period_us, uint64_t least)
{
    int64_t past_us = clock_mono_us() - b->origin_us - period_us / 2;
    uint64_t n = past_us <= 0 ? 0 : (uint64_t)((past_us + period_us - 1) / period_us);
    return n > least ? n : least;
}

static void one_tick(struct bus *b, uint64_t tick, int64_t tick_us)
{
    struct bus_report *r = bus_state_tick(&b->state, tick, tick_us);
    if (atomic_load(&b->stopping)) { /* cut off: what it lacks is nobody's fault */
        bus_report_free(r);
        return;
    }
    publish(b);
    if (r)
        b->deliver(b->context, r);
}

/* Before the other work of the machine, where whoever runs us says so (LimitRTPRIO of the
 * unit): a poll takes a fraction of a millisecond of processor time, and waits else. */
static void ask_for_priority(const struct bus *b)
{
    struct rlimit granted;
    struct sched_param p = {.sched_priority = 1};
    if (getrlimit(RLIMIT_RTPRIO, &granted) == 0 && granted.rlim_cur > 0 &&
        pthread_setschedparam(pthread_self(), SCHED_RR, &p) == 0)
        log_info("bus", "bus %s is polled with real-time priority", b->state.site_bus->id);
}

static void *run(void *argument)
{
    struct bus *b = argument;
    ask_for_priority(b);
    int64_t period_us = b->state.period_us;
    pulse_begin_thread(&b->pulse);
    /* sleeps end on the microsecond, not on the default 50 us of slack */
    (void)prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
    uint64_t tick = 0;
    if (period_us > 0)
        tick = next_tick(b, period_us, 0);
    while (!atomic_load(&b->stopping)) {
        int64_t tick_us = b->origin_us + (int64_t)tick * period_us;
        if (period_us == 0)
            tick_us = clock_mono_us();
        else if (wait_until(b->stop_fd, tick_us) == WAIT_STOP)
            break;
        one_tick(b, tick, tick_us);
        pulse_beat(&b->pulse);
        uint64_t following = tick + 1;
        tick = period_us > 0 ? next_tick(b, period_us, following) : following;
        b->state.tally.missed += tick - following;
    }
    bus_state_close(&b->state);
    pulse_end(&b->pulse);
    return NULL;
}

static bool begin(struct bus *b, char *why, size_t capacity)
{
    b->stop_fd = eventfd(0, EFD_CLOEXEC);
    if (b->stop_fd < 0) {
        snprintf(why, capacity, "no file descriptor left");
        return false;
    }
    b->state.stop_fd = b->stop_fd;
    if (!bus_state_prepare(&b->state, why, capacity))
        return false;
    b->has = bus_state_has(&b->state);
    b->round_ms = bus_state_round_ms(&b->state);
    char name[PULSE_NAME_SIZE]; /* "bus rs485" */
    snprintf(name, sizeof name, "bus %.11s", b->state.site_bus->id);
    pulse_init(&b->pulse, name, PATIENCE_MS + b->state.period_us / 1000);
    if (pthread_create(&b->thread, NULL, run, b) != 0) {
        snprintf(why, capacity, "no thread for the bus");
        return false;
    }
    return true;
}

static void discard(struct bus *b)
{
    bus_state_free(&b->state);
    if (b->stop_fd >= 0)
        close(b->stop_fd);
    pthread_mutex_destroy(&b->lock);
    free(b);
}

struct bus *bus_start(const struct bus_options *o, char *why, size_t capacity)
{
    struct bus *b = calloc(1, sizeof *b);
    if (!b) {
        snprintf(why, capacity, "memory is short");
        return NULL;
    }
    b->state = (struct bus_state){
        .site = o->site, .maps = o->maps, .bus = o->bus, .only_meter = o->only_meter};
    b->deliver = o->deliver;
    b->context = o->context;
    b->origin_us = o->origin_mono_us;
    pthread_mutex_init(&b->lock, NULL);
    if (!begin(b, why, capacity)) {
        discard(b);
        return NULL;
    }
    return b;
}

void bus_stop(struct bus *b)
{
    if (!b)
        return;
    uint64_t one = 1;
    atomic_store(&b->stopping, true);
    if (write(b->stop_fd, &one, sizeof one) != (ssize_t)sizeof one)
        return; /* cannot happen: an eventfd takes one count */
    link_interrupt(b->state.link);
    pthread_join(b->thread, NULL);
    discard(b);
}

const struct pulse *bus_pulse(const struct bus *b)
{
    return &b->pulse;
}

void bus_counters(struct bus *b, struct bus_counters *out)
{
    pthread_mutex_lock(&b->lock);
    *out = b->published;
    pthread_mutex_unlock(&b->lock);
}

uint32_t bus_has(const struct bus *b)
{
    return b->has;
}

double bus_round_ms(const struct bus *b)
{
    return b->round_ms;
}
