/*
 * breaker - how hot every breaker of a site is, when it will open, whether it can be trusted.
 *
 * A bank of first-order thermal replicas (IEC 60255-149), tau dH/dt = (I/(k In))^2 - H, opening
 * at H = 1. k and tau of one real breaker are unknown: each breaker has weights over a grid of
 * hypotheses, from what its standard allows and from what it was seen to do.
 *
 * Units      amps RMS, seconds; heat 0 cold .. 1 opens
 * Ownership  create .. destroy; borrows the site and the rules, which must outlive it
 * Threads    none inside
 */
#ifndef FORETRIP_BREAKER_H
#define FORETRIP_BREAKER_H

#include "base/codec.h"
#include "model/frame.h"
#include "model/rules.h"

struct breakers;

struct breaker_forecast {
    double heat;           /* expected H now, over the hypotheses */
    double chance[4];      /* of opening within 1, 5, 15, 60 minutes */
    double chance_horizon; /* of opening within rules.near_overload_horizon_seconds */
    double p05_seconds, p50_seconds,
        p95_seconds; /* time to trip, INFINITY: not at this current */
    double
        headroom_amps; /* what may be added now for the horizon, at the rule's clear chance */
    double headroom_3h_amps; /* and for three hours */
};

/* In a gap of more than that nobody knows what was carried when it opened. */
#define BREAKER_UNSEEN_SECONDS 15.0

/* What the breaker's own behaviour says of a circuit that lost its supply. */
struct breaker_opening {
    double heat; /* expected H at that moment */
    /* How likely a sound breaker of this standard opens by heat within a poll there, or in the
     * gap in which it fell, 0..1, under the weights before the opening; after a gap of both
     * heats, by their likelihood. And the same for those outside the standard's band. */
    double chance_overload, chance_worn;
    double worn;           /* P(worn) before, breakers_worn */
    double amps;           /* last current before */
    double must_hold_amps; /* what the standard says it must carry for ever */
};

struct breakers *breakers_create(const struct site *s, const struct rules_set *rules);
void breakers_destroy(struct breakers *b);

/* Advances every breaker to the frame's mono_ms. A pole without a reading keeps waiting; a gap
 * widens what is known instead of being taken as load or as rest. Cost: a few ns a pole. */
void breakers_step(struct breakers *b, const struct frame *f);

double breakers_heat(const struct breakers *b, int circuit);

/* At `amps` held from now on (its hotter pole). Does not change anything. */
void breakers_forecast(const struct breakers *b, int circuit, double amps,
                       struct breaker_forecast *out);

/* The chance alone: of opening within `seconds` at `amps` held from now on. */
double breakers_chance(const struct breakers *b, int circuit, double amps, double seconds);

/* A way that the current may go from now on: constant stretches, first to last. */
#define BREAKER_MOST_STRETCHES 24
struct breaker_path {
    int count;
    struct {
        double amps, seconds;
    } stretch[BREAKER_MOST_STRETCHES];
};

/* The chances that H reaches each level (1: that the breaker opens) on each of those ways; ways
 * that are asked for together cost less. chances[way * levels + level]. */
void breakers_paths_reach(const struct breakers *b, int circuit,
                          const struct breaker_path *paths, size_t path_count,
                          const double *levels, size_t level_count, double *chances);

void breakers_opening(const struct breakers *b, int circuit, struct breaker_opening *out);

/* Learns that the breaker opened by heat, with probability p (0: it did not, the supply went
 * otherwise), when its current last fell to nothing; current may flow again by now. After a gap
 * it opened at the heat that is expected; in a gap of more than BREAKER_UNSEEN_SECONDS it
 * teaches nothing. What the lesson makes forget goes with p too. */
void breakers_learn_opened(struct breakers *b, int circuit, double p_by_heat);

/* Probability that the breaker is worn: outside its standard's band on the quick side. */
double breakers_worn(const struct breakers *b, int circuit);

/* Seconds by which it has outstayed the standard's longest time at what it carried, 0 when not:
 * `breaker_did_not_open`. */
double breakers_overdue_seconds(const struct breakers *b, int circuit);

/* What is known of it, and by what the square of its amps becomes heat's q (hypotheses.h). The
 * view is copied. */
struct hypotheses_view;
void breakers_known(const struct breakers *b, int circuit, struct hypotheses_view *view,
                    double *q_per_amps2);

/* Forgets what was learned: the breaker was replaced. */
void breakers_replaced(struct breakers *b, int circuit);

/* State by circuit id; loading skips circuits the site no longer has. False: damaged,
 * unchanged. */
void breakers_save(const struct breakers *b, struct codec_out *out);
bool breakers_load(struct breakers *b, struct codec_in *in);

#endif
