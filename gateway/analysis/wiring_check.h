/*
 * wiring_check - whether the transformers sit where site.cfg says, by what the readings say of
 * each other.
 *
 * Pure. What a feeder carries is the sum of what its branches carry, so that each time one
 * branch alone steps (a load goes on or off), the feeder answers on one of its legs by the same
 * active power:
 *
 *     the feeder answers on another leg               the branch is on that leg
 *     on the right leg, with the other sign           its transformer faces the other way
 *     on the right leg, by another amount             the transformer's ratio is not that
 *     the feeder steps and no branch does             a transformer is open: of those on that
 *                                                     leg the one that has never shown a
 * current
 *
 * What most branches of a leg say together is the feeder's own mistake. A walk (wiring_walk.h)
 * tells what cannot be told from sums: somebody switches a known load on one breaker after
 * another, and the channel that keeps the beat is that breaker's:
 *
 *     another circuit's channel keeps it              the two are exchanged
 *     none does, and the circuit's own is dead        its transformer is open
 *     its own, by another current than the others'    the transformer's ratio is not that
 *
 * Without a metered feeder, steady power of the wrong sign remains: a transformer that faces
 * the other way or sits on another leg (with three legs the two differ: at 120 degrees the
 * power factor of a heater becomes -0.5). A circuit that feeds in, such as solar, looks the
 * same; the text says so.
 *
 * Active power adds up exactly, current only where the power factors are alike (common
 * practice): without watts the amount is judged within wide bounds.
 *
 * Units      amps, watts; steps are differences over WIRING_WINDOW frames of about a second
 * Ownership  create .. destroy; the site is borrowed
 * Cost       O(poles) a frame; memory WIRING_WINDOW * poles, and a walk's
 */
#ifndef FORETRIP_WIRING_CHECK_H
#define FORETRIP_WIRING_CHECK_H

#include "model/frame.h"
#include "wiring_walk.h"

#define WIRING_WINDOW 6
#define WIRING_LEAST_STEPS 3 /* of a kind, before anything is said */
#define WIRING_LEAST_AMPS 1.5

enum wiring_fault {
    WIRING_CT_REVERSED,
    WIRING_WRONG_LEG,
    WIRING_WRONG_RATIO,
    WIRING_SWAPPED,
    WIRING_CT_OPEN,
    WIRING_UNEXPLAINED, /* the feeder carries what no transformer behind it sees */
};

struct wiring_finding {
    enum wiring_fault fault;
    int circuit;  /* index in the site; of WIRING_UNEXPLAINED the feeder */
    int pole;     /* of the circuit, 0.. */
    int other;    /* WIRING_SWAPPED: whose channel shows this circuit; else -1 */
    char leg;     /* WIRING_WRONG_LEG: where it really is, '?' when that cannot be told */
    double ratio; /* WIRING_WRONG_RATIO: what the readings are to be multiplied with */
    int steps;    /* that say so */
};

struct wiring_check;

/* NULL when memory is short. */
struct wiring_check *wiring_check_create(const struct site *s);
void wiring_check_destroy(struct wiring_check *w); /* accepts NULL */

/* Frames in order of time; a gap of more than 3 s between two begins the window anew. */
void wiring_check_feed(struct wiring_check *w, const struct frame *f);

/* The walk whose outcome is judged too; it is fed with the rest. */
struct wiring_walk *wiring_check_walk(struct wiring_check *w);

/* How many steps of the circuit's pole were compared with its feeder. */
int wiring_check_compared(const struct wiring_check *w, int circuit, int pole);

/* What is wrong, at most `most`; circuits in the site's order. */
size_t wiring_check_judge(const struct wiring_check *w, struct wiring_finding *out,
                          size_t most);

/* One or two sentences with the circuit, what it is by, and what to do. Returns out. */
#define WIRING_TEXT_SIZE 512
char *wiring_check_text(const struct site *s, const struct wiring_finding *f, char *out,
                        size_t capacity);

/* "ct_reversed", "wrong_leg"; static storage. */
const char *wiring_fault_name(enum wiring_fault fault);

#endif
