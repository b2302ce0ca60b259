/*
 * trips_state - what the parts of trips share; nobody else includes it.
 *
 *     trips.c        readings come in: who fell to nothing, who carries again
 *     trips_case.c   one fall: its facts, what is said of it, what is learned from it
 *     trips_scope.c  falls of the same moment: a feeder, the utility, a meter
 *     trips_review.c falls that are over, in the light of what was learned since
 *     trips_save.c   what is open, as bytes
 *     trips_learned.c what was learned, as bytes; what people correct
 */
#ifndef FORETRIP_TRIPS_STATE_H
#define FORETRIP_TRIPS_STATE_H

#include "causes.h"
#include "trips.h"

#include "base/lanes.h"

#include <math.h>

/* Pieces that are concluded from others. */
#define TOGETHER "went_together"
#define FEEDER_GOES_ON "feeder_carries_on"

#define FALL_FROM_ZEROS 2.0F /* a fall counts from this many times the rule's zero_amps */
#define SAY_FROM 0.3         /* at the fall; later it takes SAY_LATE_FROM */
#define SAY_LATE_FROM 0.5
#define SAME_OPENING_MS 2000 /* cases that begin so close may have one reason */
#define SETTLE_MS 5000       /* from the return of a current until it is judged */
#define REMEMBERED 64        /* trips that a person may still correct */

enum case_state {
    CASE_NONE,
    CASE_OPEN, /* carries nothing since the fall */
    CASE_BACK, /* carries again, not yet settled */
};

/* Which levels learned from what a fall read. */
enum level_taught { TAUGHT_LOST = 1, TAUGHT_OFF = 2, TAUGHT_OFF_ELSEWHERE = 4 };

struct trip_case {
    enum case_state state;
    bool said, taught_breaker;
    uint8_t taught_levels; /* enum level_taught */
    bool afterwards;       /* told when it was long over */
    enum trip_stage stage;
    double said_probability;
    enum trip_cause said_cause;
    char id[EVENT_ID_SIZE];
    int64_t opened_mono_ms, opened_wall_ms;
    int64_t seen_mono_ms; /* the frame that showed it */
    int64_t back_mono_ms;
    size_t next_due;
    int64_t due_mono_ms;
    struct fall_facts facts;
    struct scope_guess scope;
    struct event_before before[EVENT_MOST_BEFORE];
    size_t before_count;
    double feeder_drop;   /* by how much the feeder fell with it; NaN: nobody knows */
    double feeder_before; /* what it carried before; NaN: its next reading is not waited for */
    struct event_load loads[LOADS_MAX_RUNNING];
    size_t load_count;
    double probability;
    double causes[CAUSE_COUNT];
    struct evidence_list evidence;
};

#define MINUTES 11 /* remembered of each circuit, for the record of a trip */
struct past_minute {
    float amps, heat, chance;
};

struct circuit_watch {
    struct past_minute minutes[MINUTES]; /* the newest is the one before next_minute */
    int64_t rose_ms;                     /* last switch-on, INT64_MIN before the first */
    int64_t woke_ms;                     /* since when it carries anything */
    int64_t reset_ms;                    /* when a trip of it was over, INT64_MIN: never */
    char reset_id[EVENT_ID_SIZE]; /* of that trip; "" when not this but what feeds it was reset
                                   */
    float rise;                   /* size of the last switch-on */
    bool stepping;                /* the last step has not settled; it began */
    float step_from;              /* here */
    int64_t step_ms;
    bool feeder; /* of branches that are measured themselves */
};

#define REST_BLOCK_POLLS STILLNESS_LEAST_POLLS
/* What is read at nothing since the fall: whole blocks, and the one that is being filled. */
struct rest_count {
    int polls, block_polls;
    float sum, square, fourth; /* of the readings, their squares, the squares of these */
    float block_sum, block_square, block_fourth;
    struct stillness_seen seen;
};

/* What every frame touches of every circuit, side by side and lanes_padded. */
struct watch_lanes {
    float *amps;         /* of this frame, hotter pole; NaN: no reading */
    float *p1, *p2, *p3; /* newest readings */
    float *low_mean;     /* of the last few readings, while low */
    float *zero;         /* below it a circuit carries nothing */
    int32_t *low;        /* a lanes_mask: carries nothing */
    int32_t *counting;   /* the same: what it reads since its fall is being taken: */
    struct rest_count *rest;
    int64_t *read_ms; /* of the newest reading, INT64_MIN before the first */
};

/* A trip that was said, for as long as somebody may know better. */
struct remembered {
    char id[EVENT_ID_SIZE]; /* "": free place */
    int circuit;
    bool corrected;
    enum trip_cause cause; /* as last said, or as corrected */
    double probability, natural;
    int64_t local_seconds;
    float amps, age_seconds;
    bool several, at_switch_on;
};

#define CLOSED_MOST 64
/* A fall that is over and may yet be seen otherwise. */
struct closed_case {
    size_t circuit;
    struct trip_case of; /* its id empty: none */
};

#define BLUR_AMPS 4.0F      /* a smaller switch-on may hide its second part */
#define BLUR_PART_AMPS 1.0F /* of it in each reading, at least */
#define BLUR_SHARE 3        /* one in four: a mean over a quarter of the poll */
#define BLUR_UNSEEN 2       /* so many more may have been sharp by chance */
#define BLUR_MOST 1000      /* of each kind are counted, then both are halved */

struct trips {
    const struct site *site;
    const struct rules_set *rules;
    struct breakers *breakers;
    struct loads *loads;
    event_sink *sink;
    void *context;
    trips_observer *observer;
    void *observer_context;
    int64_t mono_ms, wall_ms;
    int32_t utc_offset_seconds;
    int64_t intervals[4];
    size_t frames;
    int64_t next_exposure_ms, next_due_ms;
    double openings, circuit_days; /* what taught how often supplies are lost here */
    double hands, faults;          /* what people said of openings without heat */
    bool volts_gone;
    const struct frame_taken *taken; /* of the frame in hand, NULL: all at once */
    size_t feeders_waited_for;       /* cases */
    size_t changed_count;
    size_t *changed; /* circuits that went low or high in this frame */
    bool *cut, *fell, *carries;
    double *log_chance;
    struct watch_lanes now;
    struct circuit_watch *watch;
    struct trip_case *cases;
    struct falls *histories;
    struct stillness lost_level, off_level; /* read at nothing, on any circuit */
    double empty_level;                     /* where nothing stands by, ln amps; or NaN */
    size_t off_from;                        /* the circuit that taught off_level last */
    size_t next_minute;
    struct remembered remembered[REMEMBERED];
    size_t remembered_count;
    struct closed_case closed[CLOSED_MOST]; /* the newest of them */
    size_t closed_count;
    int64_t next_review_ms;
    uint32_t reviewed; /* levels that were known when they were looked at last */

    /* Large switch-ons that came in one reading, and over two: a meter that averages over its
     * poll blurs falls as it does rises. */
    int sharp, blurred;
};

/* Usual time between frames. */
double trips_poll_seconds(const struct trips *t);

/* How often a circuit here loses its supply without heat or a switch-on. */
double trips_lost_per_second(const struct trips *t);

/* Carried so much before that its fall is a fall. */
static inline bool trips_counts(const struct trips *t, size_t i, double amps)
{
    return amps >= (double)(FALL_FROM_ZEROS * t->now.zero[i]);
}

static inline double trips_log_odds(double p)
{
    p = fmin(fmax(p, 1e-6), 1.0 - 1e-6);
    return log(p / (1.0 - p));
}

/* ---- trips_case.c ---- */

/* Loads that began apart from each other, oldest first, into facts (whose amps are set). */
void trips_independent_loads(const struct trips *t, size_t i, const struct event_load *loads,
                             size_t count, struct fall_facts *facts);

/* The feeder's fall with a circuit's (trips_feeder.c): at once where it was read after the
 * circuit was, else with its next reading, for which _take looks in every frame. */
void trips_feeder_see(struct trips *t, size_t i, double amps);
void trips_feeder_take(struct trips *t);

void trips_case_open(struct trips *t, size_t i, double amps, int64_t last_read_ms);
/* It fell when that one did: their reason is the same, and that one's time is known better. */
void trips_case_date(struct trips *t, size_t i, const struct trip_case *when);
void trips_case_judge(struct trips *t, size_t i, const char *moment);

/* Of a lost supply, without the pieces that judge what is read since. */
double trips_odds_without_levels(const struct trip_case *c);
/* The probability and the causes, from the evidence. */
void trips_case_conclude(struct trips *t, size_t i);
/* For a while people may say what it really was. */
void trips_case_remember(struct trips *t, size_t i);
void trips_case_tell(struct trips *t, size_t i);
/* Says it when it is new or has changed; from: the probability that makes it worth saying. */
void trips_case_say(struct trips *t, size_t i, double from);
/* When it is to be looked at next. */
void trips_case_schedule(struct trips *t, size_t i, int64_t due_mono_ms);
/* It was silent until now. */
void trips_case_later(struct trips *t, size_t i);
/* It carries again and has settled. */
void trips_case_close(struct trips *t, size_t i);
void trips_say_outcome(struct trips *t, size_t i, enum event_type type, const char *id,
                       double seconds);

/* Of those that a person may still correct; NULL: not that one. */
struct remembered *trips_recall(struct trips *t, const char *id);

/* ---- trips_review.c ---- */

/* A case that is being closed and was learned from: whether it can be seen otherwise one
 * day. */
void trips_review_keep(struct trips *t, size_t i);
/* A person has said what it was. */
void trips_review_forget(struct trips *t, const char *id);
/* Looks at them again when more is known than the last time. */
void trips_review(struct trips *t);

/* Of all levels learned, whether they were read with a supply lost (stillness.h). */
void trips_settle_levels(struct trips *t);

/* ---- trips_save.c ---- */

/* 2: without after_rms; 3: without seen; 4: how sure it is; 5: without reset_at_once, worn */
#define TRIPS_CASE_VERSION 6U
/* A case as it is judged from; not what it was judged to be. A loaded one is open. */
void trips_put_case(const struct trips *t, struct codec_out *out, const struct trip_case *c);
bool trips_get_case(const struct trips *t, struct codec_in *in, uint32_t version,
                    struct trip_case *c);

/* ---- trips_scope.c ---- */

/* Somebody fell in this frame, or the voltage went. */
void trips_scope_judge(struct trips *t, const struct frame *f, bool volts_went);
/* What comes back tells of those that stay. */
void trips_scope_back(struct trips *t, size_t i);
/* A circuit that carries current while its scope should be dark refutes the scope. */
void trips_scope_refute(struct trips *t);
/* The voltage is back, and with it what it had taken. */
void trips_scope_volts_back(struct trips *t);
/* The circuit of a scope is back: those that had no current are back with it. */
void trips_scope_release(struct trips *t, size_t i);

#endif
