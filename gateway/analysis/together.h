/*
 * together - circuits that fell in the same poll: each for itself, or one thing for all?
 *
 * A scope is what can take several circuits at once: the utility (or the main), one leg of it,
 * a feeder, a meter that dies. Its weight is how often that happens, times the chance that all
 * circuits outside it fell by themselves; against it stands the chance that all of them did.
 * A circuit of the scope that still carries current refutes it; so does its voltage.
 *
 * Ownership  the caller's structs; nothing is kept
 */
#ifndef FORETRIP_TOGETHER_H
#define FORETRIP_TOGETHER_H

#include "model/event.h"
#include "model/frame.h"

enum scope_kind {
    SCOPE_NONE,
    SCOPE_UTILITY, /* the main or what lies before it */
    SCOPE_LEG,     /* one leg of the supply; index 0..2 */
    SCOPE_FEEDER,  /* index: the circuit that feeds a panel */
    SCOPE_METER,   /* index: the meter, -1 when the site names none: all there is */
};

struct scope {
    enum scope_kind kind;
    int index;
};
static const struct scope scope_nothing = {SCOPE_NONE, -1};

struct scope_guess {
    struct scope scope;
    double probability;
    bool by_voltage; /* its voltage has gone */
};

static const struct scope_guess scope_not_guessed = {.scope = {SCOPE_NONE, -1}};

/* What is seen of the circuits in that poll; arrays of one per circuit. */
struct together_view {
    const struct site *site;
    const bool *fell;
    const bool *carries;       /* has current now */
    const double *log_chance;  /* of those that fell: ln of the chance to do so in this poll */
    double gap_seconds;        /* length of that poll; the shortest, it lies in all of them */
    bool silent_before;        /* readings were lost before it */
    bool on_the_clock;         /* at a full hour, when timers switch */
    const struct frame *frame; /* for the voltages */
};

/* Is the circuit behind it? A feeder itself belongs to its own scope. */
bool together_within(const struct site *s, struct scope scope, int circuit);

/* Has the scope's voltage gone (1), is it there (-1), or does nobody know (0)? */
int together_voltage(const struct site *s, struct scope scope, const struct frame *f);

/* A circuit of the scope carries again: what that says (natural log of the likelihood ratio)
 * when `with` others came back in the same poll and the loads of `waiting` others, that had run
 * for so long, did not. Timers aside, circuits that fell by themselves do not come back in one
 * poll; after a reset what always ran runs again. */
double together_came_back(size_t with, const double *waiting_ages, size_t waiting);

/* The likeliest scope, with its probability against all others and none. */
struct scope_guess together_judge(const struct together_view *v);

#endif
