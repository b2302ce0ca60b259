/*
 * bus - one serial line or one TCP endpoint, and the meters on it, read once a period.
 *
 * A thread of its own (libmodbus blocks) reads every meter of the bus each period, beginning on
 * absolute deadlines origin + k * poll_ms, so a period does not drift and several buses poll
 * together. Each tick yields one bus_report through the callback, also when no meter answered.
 *
 * In a tick the meters that answer are read first; those that failed are tried once more if
 * time is left; then at most one meter that is in backoff is tried. So a dead meter costs its
 * neighbours nothing but, once, its timeout. A tick ends before the next begins: what was not
 * reached by then says BUS_METER_NO_TIME and is first in the next tick.
 *
 * Faults are counted by kind and survived; the log gets a line when a meter's state changes.
 * A value that was not read is not in the report: never zero, never the last one again.
 *
 * Ownership  site and maps are borrowed from bus_start to bus_stop; a report belongs to whoever
 *            gets it (bus_report_free)
 * Priority   ordinary; real-time (round robin, 1) where the process was granted it
 *            (RLIMIT_RTPRIO above 0)
 * Threads    bus_start and bus_stop from one thread; bus_counters from any; deliver is called
 * on the bus's thread and must not block
 */
#ifndef FORETRIP_BUS_H
#define FORETRIP_BUS_H

#include "base/pulse.h"
#include "fault.h"
#include "meter_plan.h"
#include "model/meter_map.h"
#include "model/site.h"

enum bus_meter_state {
    BUS_METER_OK,
    BUS_METER_PARTLY,  /* some of its reads were answered */
    BUS_METER_LOST,    /* tried, without a good answer */
    BUS_METER_BACKOFF, /* lost before, not tried this time */
    BUS_METER_NO_TIME, /* the period was over before its turn */
};

struct bus_meter_status {
    int meter; /* index in the site */
    enum bus_meter_state state;
    enum fault fault; /* the last one, FAULT_NONE when it answered well */
    int exception;    /* its code when fault is FAULT_EXCEPTION */
};

struct bus_report {
    int bus; /* index in the site */
    uint64_t tick;
    int64_t mono_ms; /* of the tick, as scheduled: the same for all buses of one origin */
    int64_t wall_ms;
    struct bus_meter_status *meters;
    size_t meter_count;
    struct bus_reading *readings;
    size_t reading_count;
};

/* Accepts NULL. */
void bus_report_free(struct bus_report *r);

#define BUS_ANSWER_TIMES 9

struct bus_counters {
    uint64_t ticks;     /* periods begun */
    uint64_t missed;    /* periods that passed without one (suspended, overrun) */
    uint64_t reads;     /* requests sent */
    uint64_t answers;   /* good ones */
    uint64_t registers; /* in good answers */
    uint64_t retries;   /* second tries within a tick */
    uint64_t connects;  /* connections made, or serial lines opened */
    uint64_t faults[FAULT_COUNT];
    uint64_t exceptions[FAULT_EXCEPTIONS];   /* by code; 0 holds the undefined codes */
    uint64_t answer_times[BUS_ANSWER_TIMES]; /* good answers by how long they took, see below */
    double answer_seconds;                   /* of all good answers together */
};

/* The upper end of each class of answer times, in seconds; INFINITY for the last. */
double bus_answer_time(int i);

/* The report becomes the callee's. */
typedef void bus_deliver(void *context, struct bus_report *report);

struct bus_options {
    const struct site *site;
    const struct meter_map_set *maps;
    int bus;                /* index in site->buses; poll_ms 0 polls without pause */
    int only_meter;         /* index in site->meters, -1 for every meter of the bus */
    int64_t origin_mono_us; /* bus_origin_us(): the same for all buses */
    bus_deliver *deliver;
    void *context;
};

/* The next whole second of the wall clock that is at least 50 ms away, on the mono clock. */
int64_t bus_origin_us(void);

/* NULL, and a sentence in why, when a map is missing or memory short. A connection that cannot
 * be made is no error: it is tried again. */
struct bus *bus_start(const struct bus_options *o, char *why, size_t capacity);

/* Ends the thread, within the bus's timeout at the most, and frees everything. Accepts NULL. */
void bus_stop(struct bus *b);

/* Its thread's. */
const struct pulse *bus_pulse(const struct bus *b);

/* A consistent copy. */
void bus_counters(struct bus *b, struct bus_counters *out);

/* bit 1 << quantity of what the bus's meters can deliver */
uint32_t bus_has(const struct bus *b);

/* What one round of all meters takes at least, by the line's cost model, in milliseconds. */
double bus_round_ms(const struct bus *b);

#endif
