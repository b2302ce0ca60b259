#include "bus_tick.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "base/log.h"
#include "connect.h"
#include "wait.h"

#define MOST_REOPENED 3     /* connections made anew within one tick */
#define MOST_SILENT_TICKS 3 /* then a TCP connection is taken for dead */
#define OVERDUE_PERIODS 8   /* a probe that found no time for so long goes first */
#define SAID_AFTER_TRIES 3
#define EXCEPTION_ADDRESS 2
#define EXCEPTION_BUSY 6
#define EXCEPTION_GATEWAY 10
#define FLAT_OUT_TICK_US 60000000

/* ---- the connection ---------------------------------------------------------------------- */

static const char *link_place(const struct bus_state *s, char *out, size_t capacity)
{
    if (s->site_bus->device[0])
        snprintf(out, capacity, "%s", s->site_bus->device);
    else
        snprintf(out, capacity, strchr(s->site_bus->host, ':') ? "[%s]:%d" : "%s:%d",
                 s->site_bus->host, s->site_bus->port);
    return out;
}

static void say_opened(struct bus_state *s, int64_t seconds)
{
    char place[SITE_PATH_SIZE + 16];
    link_place(s, place, sizeof place);
    if (seconds >= 0)
        log_info("bus", "bus %s: connected to %s again after %lld s", s->site_bus->id, place,
                 (long long)seconds);
    else if (s->tally.connects == 1)
        log_info("bus", "bus %s: connected to %s", s->site_bus->id, place);
    int latency_ms = s->site_bus->device[0] && s->tally.connects == 1
                         ? connect_latency_ms("/sys", s->site_bus->device)
                         : -1;
    if (latency_ms > 1) /* it was asked for less when it was opened */
        log_warning("bus",
                    "bus %s: the adapter holds bytes back for %d ms; deploy/61-foretrip-"
                    "serial.rules sets that to 1",
                    s->site_bus->id, latency_ms);
}

static void say_not_opened(struct bus_state *s, const char *why, int64_t now_us)
{
    char place[SITE_PATH_SIZE + 16];
    s->link_health.said = true;
    log_warning("bus", "bus %s: no connection to %s (%s); next try in %.3g s", s->site_bus->id,
                link_place(s, place, sizeof place), why,
                (double)(s->link_health.next_try_us - now_us) / 1e6);
}

static bool told_to_stop(const struct bus_state *s)
{
    return s->stop_fd >= 0 && wait_until(s->stop_fd, 0) == WAIT_STOP;
}

static bool open_link(struct bus_state *s, int64_t give_up_us)
{
    char why[sizeof s->link_why];
    int64_t now = clock_mono_us(), deadline = now + (int64_t)s->site_bus->timeout_ms * 1000;
    if (!health_due(&s->link_health, now) || now >= give_up_us || told_to_stop(s))
        return false;
    if (link_open(s->link, deadline < give_up_us ? deadline : give_up_us, why, sizeof why)) {
        s->tally.connects++;
        s->silent_ticks = 0;
        say_opened(s, health_recover(&s->link_health, clock_mono_us()));
        return true;
    }
    s->tally.faults[FAULT_CONNECTION]++;
    now = clock_mono_us();
    bool news = !s->link_health.failing;
    health_fail(&s->link_health, 1, now, s->period_us);
    if (news)
        say_not_opened(s, why, now);
    return false;
}

/* A connection that broke in this tick is made anew at once: many meters close idle ones. */
static bool ensure_open(struct bus_state *s, int64_t give_up_us)
{
    if (link_is_open(s->link))
        return true;
    if (s->reopened >= MOST_REOPENED)
        return false;
    s->reopened++;
    return open_link(s, give_up_us);
}

/* ---- one meter --------------------------------------------------------------------------- */

double bus_answer_time(int i)
{
    static const double ends[BUS_ANSWER_TIMES] = {0.002, 0.005, 0.01, 0.025,           0.05,
                                                  0.1,   0.25,  1.0,  (double)INFINITY};
    return ends[i];
}

static void count_time(struct bus_state *s, double seconds)
{
    int i = 0;
    while (seconds > bus_answer_time(i))
        i++;
    s->tally.answer_times[i]++;
    s->tally.answer_seconds += seconds;
}

static void count(struct bus_state *s, const struct link_result *r, int registers,
                  int64_t took_us)
{
    s->tally.reads++;
    s->tally.faults[FAULT_LATE] += (uint64_t)r->late;
    s->tally.faults[FAULT_STRAY] += (uint64_t)r->stray;
    if (r->fault == FAULT_NONE) {
        s->tally.answers++;
        s->tally.registers += (uint64_t)registers;
        count_time(s, (double)took_us / 1e6);
        return;
    }
    s->tally.faults[r->fault]++;
    if (r->fault == FAULT_EXCEPTION)
        s->tally.exceptions[r->exception > 0 && r->exception < FAULT_EXCEPTIONS ? r->exception
                                                                                : 0]++;
}

static bool all_got(const struct bus_meter *m)
{
    if (bus_sunspec_unfound(m))
        return false;
    for (size_t r = 0; r < m->plan.read_count; r++)
        if (!m->got[r])
            return false;
    return true;
}

static bool any_got(const struct bus_meter *m)
{
    if (bus_sunspec_unfound(m))
        return false;
    for (size_t r = 0; r < m->plan.read_count; r++)
        if (m->got[r])
            return true;
    return false;
}

struct link_result bus_state_ask(struct bus_state *s, const struct link_read *q,
                                 int64_t give_up_us, uint16_t *registers)
{
    struct link_result result = {.fault = FAULT_CONNECTION};
    for (int i = 0; i < 2 && result.fault == FAULT_CONNECTION; i++) {
        if (!ensure_open(s, give_up_us))
            break;
        int64_t asked_us = clock_mono_us();
        result = link_read(s->link, q, give_up_us, registers);
        result.asked_us = asked_us;
        result.answered_us = clock_mono_us();
        count(s, &result, q->count, result.answered_us - asked_us);
    }
    return result;
}

/* APP 7: the path is unavailable, the target failed to respond */
static bool from_gateway(int exception)
{
    return exception == EXCEPTION_GATEWAY || exception == EXCEPTION_GATEWAY + 1;
}

/* Whether the fault is the answer of a meter that is there. A gateway's exceptions say that the
 * meter behind it is not. */
static bool is_refusal(enum fault fault, int exception)
{
    return fault == FAULT_EXCEPTION && !from_gateway(exception);
}

/* The registers were taken between the request and the end of its answer. */
static struct frame_taken moment_of(const struct bus_state *s, const struct link_result *r)
{
    int64_t half_us = (r->answered_us - r->asked_us + 1) / 2;
    return (struct frame_taken){(int32_t)(r->asked_us + half_us - s->tick_us),
                                (int32_t)half_us};
}

/* Reads what was not read yet, up to the first fault that is no refusal. */
static void read_meter(struct bus_state *s, struct bus_meter *m, int64_t give_up_us)
{
    m->fault = FAULT_NONE;
    m->tries++;
    if (bus_sunspec_unfound(m) && !bus_sunspec_find(s, m, give_up_us))
        return;
    for (size_t i = 0; i < m->plan.read_count; i++) {
        const struct meter_read *r = &m->plan.reads[i];
        if (m->got[i])
            continue;
        if (clock_mono_us() + plan_read_ns(link_line(s->link), r->count) / 1000 > give_up_us) {
            m->state = BUS_METER_NO_TIME;
            return;
        }
        struct link_read q = {m->site->unit, r->function, r->address, r->count};
        struct link_result result = bus_state_ask(s, &q, give_up_us, m->registers + r->at);
        m->got[i] = result.fault == FAULT_NONE;
        if (m->got[i]) {
            m->moments[i] = moment_of(s, &result);
            continue;
        }
        m->fault = result.fault;
        m->exception = result.exception;
        m->refused_read = (int)i;
        if (!is_refusal(result.fault, result.exception))
            return;
    }
}

/* What a try costs at least: what the unit still owes, one read and a quarter of the timeout.
 */
static bool time_left(const struct bus_state *s, const struct bus_meter *m, int64_t give_up_us)
{
    int64_t now = clock_mono_us(), owed = link_owed_until_us(s->link, m->site->unit);
    int64_t begin = owed > now ? owed : now;
    int64_t cost = m->plan.read_count
                       ? plan_read_ns(link_line(s->link), m->plan.reads[0].count) / 1000
                       : 0;
    return begin + cost + (int64_t)s->site_bus->timeout_ms * 250 < give_up_us;
}

/* ---- the passes of a tick ------------------------------------------------------------------
 */

static struct bus_meter *in_turn(struct bus_state *s, size_t i)
{
    return &s->meters[(s->first + i) % s->meter_count];
}

static bool wanted(const struct bus_meter *m)
{
    return m->plan.read_count > 0 || bus_sunspec_unfound(m);
}

static void read_the_good(struct bus_state *s, int64_t give_up_us)
{
    bool behind = false;
    size_t first = s->first;
    for (size_t i = 0; i < s->meter_count; i++) {
        struct bus_meter *m = &s->meters[(first + i) % s->meter_count];
        if (m->health.failing || !wanted(m))
            continue;
        read_meter(s, m, give_up_us);
        if (m->state == BUS_METER_NO_TIME && !behind) {
            behind = true;
            s->first = (first + i) % s->meter_count;
        }
    }
}

static bool worth_another_try(const struct bus_meter *m)
{
    if (m->fault == FAULT_EXCEPTION)
        return m->exception == EXCEPTION_BUSY || m->exception == EXCEPTION_BUSY - 1 ||
               from_gateway(m->exception);
    return m->fault != FAULT_NONE && m->fault != FAULT_CONNECTION;
}

static void try_again(struct bus_state *s, int64_t give_up_us)
{
    for (size_t i = 0; i < s->meter_count; i++) {
        struct bus_meter *m = in_turn(s, i);
        if (m->health.failing || m->tries != 1 || !worth_another_try(m) ||
            !time_left(s, m, give_up_us))
            continue;
        s->tally.retries++;
        read_meter(s, m, give_up_us);
    }
}

static struct bus_meter *most_overdue(struct bus_state *s, int64_t now_us, int64_t overdue_us)
{
    struct bus_meter *found = NULL;
    for (size_t i = 0; i < s->meter_count; i++) {
        struct bus_meter *m = in_turn(s, i);
        if (m->health.failing && m->tries == 0 && health_due(&m->health, now_us - overdue_us) &&
            (!found || m->health.next_try_us < found->health.next_try_us))
            found = m;
    }
    return found;
}

static bool any_failing(const struct bus_state *s)
{
    for (size_t i = 0; i < s->meter_count; i++)
        if (s->meters[i].health.failing)
            return true;
    return false;
}

static bool any_good(const struct bus_state *s)
{
    for (size_t i = 0; i < s->meter_count; i++)
        if (!s->meters[i].health.failing && wanted(&s->meters[i]))
            return true;
    return false;
}

/* One meter in backoff, or all that are due when there is nobody they could delay. */
static void probe(struct bus_state *s, int64_t give_up_us)
{
    bool alone = !any_good(s);
    struct bus_meter *m;
    do {
        m = most_overdue(s, clock_mono_us(), 0);
        if (m && time_left(s, m, give_up_us))
            read_meter(s, m, give_up_us);
        else
            m = NULL;
    } while (m && alone);
}

/* On a line that leaves no time after its good meters, a dead one gets its turn all the same.
 */
static bool probe_first(struct bus_state *s, int64_t give_up_us)
{
    struct bus_meter *m = most_overdue(s, clock_mono_us(), OVERDUE_PERIODS * s->period_us);
    if (!m || s->period_us == 0)
        return false;
    read_meter(s, m, give_up_us);
    return true;
}

/* ---- the end of a tick
 * ----------------------------------------------------------------------- */

static void say_failing(struct bus_meter *m, int64_t now_us)
{
    char fault[96];
    m->health.said = true;
    log_warning("bus", "meter %s %s (%s), %d tries; next try in %.3g s", m->site->id,
                m->fault == FAULT_FOREIGN ? "cannot be read" : "does not answer",
                fault_describe(m->fault, m->exception, fault, sizeof fault), m->health.tries,
                (double)(m->health.next_try_us - now_us) / 1e6);
}

static void judge_health(struct bus_state *s, struct bus_meter *m)
{
    if (m->fault == FAULT_NONE && !m->health.failing)
        return;
    if (m->tries == 0 || m->state == BUS_METER_NO_TIME)
        return;
    if (m->fault == FAULT_CONNECTION && s->link_health.failing)
        return; /* it cannot be made: that has a health of its own */
    int64_t now = clock_mono_us();
    if (m->fault != FAULT_NONE && !is_refusal(m->fault, m->exception)) {
        health_fail(&m->health, m->tries, now, s->period_us);
        bus_sunspec_forget(m); /* another one may be put in its place */
        if (!m->health.said && m->health.tries >= SAID_AFTER_TRIES)
            say_failing(m, now);
        return;
    }
    int64_t seconds = health_recover(&m->health, now);
    if (seconds >= 0)
        log_info("bus", "meter %s answers again after %lld s", m->site->id, (long long)seconds);
}

/* A meter may refuse registers that it has not got; then holes are no longer read over. */
static void plan_without_holes(struct bus_state *s, struct bus_meter *m)
{
    struct plan_line line = plan_line_without_holes(*link_line(s->link));
    m->without_holes = true;
    if (bus_meter_plan(s, m, &line) == METER_PLAN_OK)
        log_info("bus",
                 "meter %s refuses to be read over unused registers: now %zu reads a poll",
                 m->site->id, m->plan.read_count);
}

static void judge_refusal(struct bus_state *s, struct bus_meter *m)
{
    char fault[96];
    if (m->tries == 0)
        return;
    if (!is_refusal(m->fault, m->exception)) {
        if (m->said_exception && all_got(m)) {
            m->said_exception = 0;
            log_info("bus", "meter %s gives all its registers again", m->site->id);
        }
        return;
    }
    if (bus_sunspec_unfound(m))
        return; /* it was asked what it is */
    const struct meter_read *r = &m->plan.reads[m->refused_read];
    if (m->exception == EXCEPTION_ADDRESS && r->bridges && !m->without_holes) {
        plan_without_holes(s, m);
    } else if (m->exception == EXCEPTION_ADDRESS && m->sunspec) {
        bus_sunspec_forget(m); /* no longer where it said */
    } else if (m->said_exception != m->exception) {
        m->said_exception = m->exception;
        log_warning("bus", "meter %s refuses registers %d to %d of function %d (%s)",
                    m->site->id, r->address, r->address + r->count - 1, r->function,
                    fault_describe(m->fault, m->exception, fault, sizeof fault));
    }
}

static enum bus_meter_state end_state(const struct bus_meter *m)
{
    if (!wanted(m) || all_got(m))
        return BUS_METER_OK;
    if (any_got(m))
        return BUS_METER_PARTLY;
    if (m->state == BUS_METER_NO_TIME)
        return BUS_METER_NO_TIME;
    return m->tries > 0 ? BUS_METER_LOST : BUS_METER_BACKOFF;
}

/* A connection on which nobody answers for some ticks may be half open: made anew. */
static void judge_silence(struct bus_state *s)
{
    bool tried = false, answered = false;
    for (size_t i = 0; i < s->meter_count; i++) {
        const struct bus_meter *m = &s->meters[i];
        tried |= m->tries > 0;
        answered |= m->tries > 0 && (any_got(m) || m->fault != FAULT_TIMEOUT);
    }
    if (!tried)
        return;
    s->silent_ticks = answered ? 0 : s->silent_ticks + 1;
    if (s->silent_ticks >= MOST_SILENT_TICKS && !s->site_bus->device[0]) {
        link_close(s->link);
        s->silent_ticks = 0;
    }
}

static bool any_fault(const struct bus_state *s)
{
    for (size_t i = 0; i < s->meter_count; i++)
        if (s->meters[i].fault != FAULT_NONE)
            return true;
    return false;
}

static struct bus_report *new_report(const struct bus_state *s)
{
    size_t readings = 0;
    for (size_t i = 0; i < s->meter_count; i++)
        readings += s->meters[i].plan.value_count;
    struct bus_report *r =
        malloc(sizeof *r + s->meter_count * sizeof *r->meters + readings * sizeof *r->readings);
    if (!r)
        return NULL;
    *r = (struct bus_report){.bus = s->bus, .meter_count = s->meter_count};
    r->meters = (struct bus_meter_status *)(r + 1);
    r->readings = (struct bus_reading *)(r->meters + s->meter_count);
    return r;
}

static struct bus_report *make_report(struct bus_state *s)
{
    struct bus_report *r = new_report(s);
    for (size_t i = 0; r && i < s->meter_count; i++) {
        struct bus_meter *m = &s->meters[i];
        r->meters[i] =
            (struct bus_meter_status){m->meter, end_state(m), m->fault, m->exception};
        r->reading_count += meter_plan_decode(&m->plan, m->registers, m->got, m->moments,
                                              r->readings + r->reading_count);
    }
    return r;
}

static void begin_tick(struct bus_state *s)
{
    s->reopened = 0;
    s->tally.ticks++;
    for (size_t i = 0; i < s->meter_count; i++) {
        struct bus_meter *m = &s->meters[i];
        m->state = BUS_METER_OK;
        m->tries = 0;
        if (!m->health.failing) /* else the report goes on saying why it is in backoff */
            m->fault = FAULT_NONE;
        for (size_t r = 0; r < m->plan.read_count; r++)
            m->got[r] = false;
    }
}

struct bus_report *bus_state_tick(struct bus_state *s, uint64_t tick, int64_t tick_us)
{
    int64_t wall_ms = clock_wall_ms() - (clock_mono_us() - tick_us) / 1000;
    /* a twentieth of the period is kept for what comes after the reads */
    int64_t give_up_us =
        tick_us + (s->period_us > 0 ? s->period_us - s->period_us / 20 : FLAT_OUT_TICK_US);
    s->tick_us = tick_us;
    begin_tick(s);
    bool failing = any_failing(s), probed = failing && probe_first(s, give_up_us);
    read_the_good(s, give_up_us);
    try_again(s, give_up_us);
    if (failing && !probed)
        probe(s, give_up_us);
    struct bus_report *r = make_report(s);
    if (r) {
        r->tick = tick;
        r->mono_ms = tick_us / 1000;
        r->wall_ms = wall_ms;
    }
    if (any_fault(s) && told_to_stop(s))
        return r; /* cut off: no fault of the meters */
    judge_silence(s);
    for (size_t i = 0; i < s->meter_count; i++) {
        judge_health(s, &s->meters[i]);
        judge_refusal(s, &s->meters[i]); /* may plan anew: after the report is made */
    }
    return r;
}
