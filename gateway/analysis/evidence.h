/*
 * evidence - what speaks for a lost supply when a circuit falls to nothing, piece by piece.
 *
 * A fall is judged by rates: how often, per second, the loads would end by themselves just so
 * (natural), against how often the circuit would lose its supply just so (lost). Every function
 * here judges one piece and returns its weight, the natural log of
 *
 *     P(what was seen | supply lost) / P(what was seen | loads ended by themselves)
 *
 * so that the sum of all is the log of the odds, and a trip sheet can show what counted for and
 * against. What the constants are and where they come from: docs/method/trips.md.
 *
 * Units      amps RMS, seconds, rates per second
 * Threads    none inside; no state
 */
#ifndef FORETRIP_EVIDENCE_H
#define FORETRIP_EVIDENCE_H

#include "breaker.h"
#include "falls.h"
#include "loads.h"
#include "model/event.h"
#include "stillness.h"

#define EVIDENCE_MAX 24
#define EVIDENCE_TYPICAL_END                                                                   \
    (1.0 / 600.0) /* per second: against which the loads are weighed                           \
                   */

/* What is known of a fall: at its moment, and of what came after. */
struct fall_facts {
    double poll_seconds; /* usual time between readings */
    double gap_seconds;  /* between the last reading before and the first at nothing */
    double amps;         /* before */
    double staged; /* share of the level of two polls earlier that had gone before the fall */
    int loads;     /* independent ones: begun apart from each other */
    double ages[LOADS_MAX_RUNNING];  /* how long each has run, oldest first */
    double sizes[LOADS_MAX_RUNNING]; /* and its amps */
    double switch_on_amps;           /* size of the last switch-on */
    double switch_on_seconds;        /* since the last switch-on, INFINITY when none is known */
    double reset_seconds;            /* since it was reset after a trip of its own, INFINITY */
    double again_seconds;            /* the rule: an opening so soon is opening again */
    int64_t local_seconds;           /* local time of the fall, since 1970 */
    struct breaker_opening heat;
    double ends_like;     /* steps down of that size seen here before */
    double begins_like;   /* and up */
    double awake_seconds; /* since it last carried nothing */
    double watched_days;  /* this circuit, before */

    double after_amps; /* mean reading since */
    double after_rms;  /* and the root mean square */
    int after_polls;   /* of so many */
    struct stillness_seen seen;
    double silent_seconds;  /* since the fall, or until it came back */
    bool back;              /* it carries current again */
    double back_first_amps; /* the reading that showed it */
    double back_amps;       /* and settled at this */
};

enum evidence_key {
    PIECE_RARE,
    PIECE_LOADS,
    PIECE_AWAKE,
    PIECE_USUAL_FALLS,
    PIECE_NO_SUCH_STEP,
    PIECE_HEAT,
    PIECE_YOUNG,
    PIECE_SWITCH_ON,
    PIECE_REST_WENT,
    PIECE_SURGE,
    PIECE_AFTER_RESET,
    PIECE_CLOCK,
    PIECE_NIGHT,
    PIECE_STAGES,
    PIECE_CURRENT_LEFT,
    PIECE_STILLNESS,
    PIECE_SILENCE,
    PIECE_CAME_BACK,
    PIECE_BACK_SOON,
    PIECE_BACK_LESS,
    PIECE_RESET_AT_ONCE, /* judged last: from the others */
    EVIDENCE_PIECES
};

struct evidence_list {
    struct event_evidence items[EVIDENCE_MAX];
    size_t count;
    double sum;
    double ratios[EVIDENCE_PIECES]; /* before they are weighed */
};

struct evidence_piece {
    const char *what;
    double open, back; /* its weight while nothing flows, and once it is back */
};
extern const struct evidence_piece evidence_pieces[EVIDENCE_PIECES];

/* Drops what says nothing (|log_ratio| < 0.05). */
void evidence_add(struct evidence_list *l, const char *what, double log_ratio, double value);

/* Takes it out again. */
void evidence_drop(struct evidence_list *l, const char *what);

/* At a full hour, to the second. */
bool evidence_at_full_hour(const struct fall_facts *f);

/* Two seconds or polls after a switch-on: a fall then ended it at once. */
bool evidence_at_switch_on(const struct fall_facts *f);

/* How often a load of that age ends by itself, before anything is known of it. */
double evidence_usual_end(double age_seconds);

/* How often what the circuit carries would usually fall to nothing, whatever is learned; does
 * not know of switch-ons and coincidences. */
double evidence_usual_falls_per_second(const struct fall_facts *f);

/* How often, per second, the loads of the fall end by themselves in the same poll: by what is
 * usual elsewhere, and with what this circuit has taught. */
double evidence_natural_usual(const struct fall_facts *f);
double evidence_natural_here(const struct fall_facts *f, const struct falls *history);

/* Openings without heat or a switch-on per second, when lost_per_second are counted; and by
 * heat. */
double evidence_cold_per_second(double lost_per_second);
double evidence_heat_per_second(const struct fall_facts *f);

/* A current that no load draws, read once and gone: whatever opened was quicker than heat. */
bool evidence_surge_read_once(const struct fall_facts *f);

/* Faults that show themselves, per second: at a switch-on, by a current no load draws. */
double evidence_fault_per_second(const struct fall_facts *f, const struct falls *history);

/* ---- pieces known at the fall ---- */
double evidence_loads(const struct fall_facts *f);
double evidence_usual_falls(const struct fall_facts *f, const struct falls *history);
double evidence_heat(const struct fall_facts *f, double lost_per_second);
double evidence_switch_on(const struct fall_facts *f, const struct falls *history,
                          double lost_per_second);
double evidence_surge(const struct fall_facts *f, const struct falls *history,
                      double lost_per_second);
double evidence_after_reset(const struct fall_facts *f);
double evidence_on_the_clock(const struct fall_facts *f);
double evidence_habit(const struct fall_facts *f, const struct falls *history,
                      double lost_per_second);
double evidence_staged(const struct fall_facts *f);
double evidence_awake(const struct fall_facts *f);
double evidence_no_such_step(const struct fall_facts *f);
double evidence_rest_went(const struct fall_facts *f);

/* ---- pieces that come later ---- */
double evidence_rest(const struct fall_facts *f, const struct falls *history);
double evidence_silence(const struct fall_facts *f, const struct falls *history);
/* The supply may be back long before anything is on: the level was that of a lost supply at
 * first, and then of loads that are off. */
double evidence_stillness(const struct fall_facts *f, const struct stillness_known *levels);
double evidence_back_soon(const struct fall_facts *f);
double evidence_back_less(const struct fall_facts *f);
/* Had it been reset within a minute: how long nothing flows, and what is read meanwhile, is
 * then up to the loads, as if they had ended; a return within that minute alone tells
 * something. -INFINITY: nobody is so quick, or nobody misses it. */
double evidence_reset_at_once(const struct fall_facts *f, const struct falls *history);

/* All of them, each times its weight, for a circuit whose breaker opens lost_per_second by
 * itself without heat, levels: what is read when nothing flows. */
void evidence_judge(const struct fall_facts *f, const struct falls *history,
                    const struct stillness_known *levels, double lost_per_second,
                    struct evidence_list *out);

/* Of the sum: what the level says that is read at nothing, and what it does not say of a
 * breaker that was reset at once. */
double evidence_levels(const struct evidence_list *l, bool back);

/* Judges that anew, with levels that were learned since, and nothing else. */
void evidence_judge_levels(const struct fall_facts *f, const struct falls *history,
                           const struct stillness_known *levels, struct evidence_list *l);

double evidence_probability(double log_odds);

#endif
