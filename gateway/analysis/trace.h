/*
 * trace - which circuit a place is on: a known load switched on and off to a beat.
 *
 * Somebody plugs a load into a receptacle (or stands at a switch) and switches it four times,
 * on and off, when the gateway says so. The pauses are uneven, so that no load that cycles by
 * itself keeps the same beat; which of the four codes is used follows from the moment at
 * which it begins, so a plan is known from its beginning alone.
 *
 * Of each pole the mean current between two beats is taken, with room around each beat for the
 * hand, the meter's own mean and what a load does when it starts; a common delay of 0 to 3 s is
 * summed over. The differences of neighbouring means are the steps, eight of them, of known
 * sign: a matched filter for the code. They are judged by their likelihood,
 *
 *     without the load  every step is noise as it was measured on the same pole in the minutes
 *                       before, by the same means (trace_noise.h);
 *     with it           every step is the load's current A and such noise; but a beat that the
 *                       hand missed (1 %) shows no step, and the next one neither;
 *
 * A being unknown (uniform in its logarithm), or about what somebody said, and the same in all
 * tries of a place, most likely. The posterior is over every metered branch circuit, every pair
 * of them, what is unmetered behind each metered feeder, and nothing that is metered. What is
 * unmetered behind a feeder is looked for in what flows through it and through none of its
 * circuits, so what is at work on these does not hide it.
 *
 * Pure: readings in, a judgement out. docs/method/tracing.md has the equations and the figures.
 *
 * Units      amps RMS; wall_ms (Unix, UTC)
 * Ownership  everything is borrowed for the call
 * Cost       up to some milliseconds a pole and try, the more the more is at work on it
 */
#ifndef FORETRIP_TRACE_H
#define FORETRIP_TRACE_H

#include "model/site.h"

#define TRACE_BEATS 8 /* on and off, four times */
#define TRACE_CODES 4
#define TRACE_BEFORE_MS                                                                        \
    INT64_C(600000)     /* of readings before the beginning that are looked at */
#define TRACE_SURE 0.99 /* below it nothing is claimed */
#define TRACE_LEAST_BEAT_MS 3000
#define TRACE_MOST_BEAT_MS 60000

struct trace_plan {
    int64_t beat_ms;
    int64_t at_wall_ms[TRACE_BEATS]; /* the even ones switch on, the odd ones off */
    int64_t end_wall_ms;             /* readings up to here are wanted */
};

/* The first beat is at begin_wall_ms. beat_ms: trace_beat_ms, the same when it is judged. */
void trace_plan(int64_t begin_wall_ms, int64_t beat_ms, struct trace_plan *out);

/* 3 s, or more where the site's meters are read less often than each second. */
int64_t trace_beat_ms(const struct site *s);

/* What was switched, in the order of time: the last `tries` are of the place that is judged,
 * and their evidence adds up; those before are of other places, and not taken for noise. */
struct trace_plans {
    const struct trace_plan *plans;
    size_t count;
    size_t tries; /* 1 to TRACE_TRIES */
};
#define TRACE_TRIES 4

struct trace_rows {
    size_t count;
    const int64_t *wall_ms; /* rising */
    const float *amps;      /* count rows of site.poles_total; NaN: no reading */
};

enum trace_verdict {
    TRACE_UNREAD,    /* there are no readings of that time */
    TRACE_UNSURE,    /* nothing is sure enough: once more, with a larger load */
    TRACE_ONE,       /* circuits[0] */
    TRACE_TWO,       /* circuits[0] and [1] both */
    TRACE_UNMETERED, /* none of those that are metered; panel says where, if that is known */
};

struct trace_guess {
    int circuit;
    double probability;
};
#define TRACE_GUESSES 3

struct trace_result {
    enum trace_verdict verdict;
    double probability; /* of the verdict; of UNSURE, of the likeliest */
    int circuits[2];    /* -1: none */
    int panel;          /* UNMETERED: behind this panel's metered feeder; -1: not known */
    int poles;          /* ONE: of how many of its poles the load is */
    double amps;        /* of the load, NaN when it was not seen */
    double unmetered;   /* probability that none of the metered circuits is it */
    double two;         /* that it is on two */
    struct trace_guess guesses[TRACE_GUESSES]; /* single circuits, the likeliest first */
    size_t guess_count;
    size_t read, unread; /* metered circuits with and without readings of that time */
};

/* amps: what the load draws as far as somebody knows, NaN when nobody does. is_light: a light
 * may be small, below the 0.3 A that a load to be plugged in should have. False: memory is
 * short. */
bool trace_judge(const struct site *s, const struct trace_rows *rows,
                 const struct trace_plans *plans, double amps, bool is_light,
                 struct trace_result *out);

/* "one", "two", "unmetered", "unsure", "unread" */
const char *trace_verdict_name(enum trace_verdict v);

#endif
