/*
 * runs - the loads running on one circuit: steps paired into runs.
 *
 * A step up begins a run, a step down ends the run, or the few, whose sizes it has together;
 * where none fits, what was on before the watching began (base) or the nearest run gets
 * smaller. What the runs do not explain of the settled level is the base.
 *
 * A run that ended pauses before it is over, and what comes back in time carries it on.
 * On-times too short for a run of their own gather in a train: the pulses of one thermostat or
 * of one motor that reverses, which are one load, whether they are alike in size or not.
 *
 *     current   _|~~~~~~|_________        _|~|_|~|__|~|_________________
 *     run        |- on -|pause| over       |----- a train ---- ... | over
 *
 * Units      amps RMS, mono and wall ms
 * Ownership  plain data, no pointers; zeroed is the right beginning
 */
#ifndef FORETRIP_RUNS_H
#define FORETRIP_RUNS_H

#include "steps.h"

#include "model/event.h"

#include <stddef.h>

#define RUNS_MAX 14             /* of one circuit, pausing ones included */
#define RUNS_PAUSE_MS 30000     /* what comes back within this time was never off */
#define RUNS_TRAIN_MS 600000    /* the longest pause of a train */
#define RUNS_PULSE_MS 20000     /* a shorter on-time is a pulse: no run of its own */
#define RUNS_DOUBT_MS 35000     /* the same while a train of larger or equal pulses is about */
#define RUNS_CALM_MS 25000      /* and then it must have been alone for so long */
#define RUNS_RESTLESS_MS 600000 /* or on for so long */
#define RUNS_TRAIN_PULSES 3     /* from this many on, a train is a load */
#define RUNS_RESTS 3            /* levels of a moment ago */
#define RUNS_RETURN 6           /* loads remembered when they are cut off at once */

struct run {
    int64_t id; /* wall ms of its beginning * 1000 + counter; 0: free place */
    int64_t began_mono_ms, began_wall_ms;
    int64_t on_mono_ms;               /* present or last on-time */
    int64_t changed_mono_ms;          /* last step that changed it */
    int64_t off_mono_ms, off_wall_ms; /* while pausing */
    float amps;                       /* now, or before it paused */
    float first;                      /* in its first seconds: what load_on says */
    float stage;                      /* of that, what came on last, 0: all at once */
    float inrush;                     /* highest reading of its first seconds */
    float power_factor;               /* 0: not known */
    float lent;       /* of its amps, taken from it to make the sum right; comes back */
    float most;       /* largest amps so far */
    float on_seconds; /* of the on-times that ended */
    int pulses;       /* on-times so far */
    float fell;       /* size of the last fall that did not end it */
    int64_t fell_mono_ms;
    int changes;          /* steps that changed it; mostly also the one that ended it */
    int disturbed;        /* steps of others while it was on */
    int32_t calm_ms;      /* longest time in it without any step on the circuit */
    float charge, square; /* amps and their square, times seconds on, up to counted */
    int64_t counted_mono_ms;
    float ripple, rippled; /* deviation times readings while it was most of the current */
    bool staged;           /* its rise was (steps.h) */
    bool train;            /* short on-times only */
    bool goes_on;          /* a train that is part of a run told before */
    bool pausing;
    bool cut; /* it ended with the supply */
    bool
        shared; /* it began in one step with others: its size is a guess, and teaches nothing */
    uint32_t load;  /* learned load it was taken for when it was announced, 0: none */
    int64_t host;   /* run it is held back as a stage of (stages.h), 0: none */
    bool part;      /* held back as a part of a series */
    bool in_series; /* counted as part of one (series.h) */
    bool programme; /* it has stages, and may pause as long as a train */
    float inner, inner_seconds;           /* of the largest run inside it, 0: none */
    float inner_delay;                    /* of the first of them */
    int inners;                           /* how many */
    char appliance[EVENT_APPLIANCE_SIZE]; /* whoever owns the runs writes these four */
    float probability;
    bool essential;
    bool announced; /* its load_on is out, or is due with its load_off */
};

/* What the pulses of a circuit's heating element have been like so far: its trains come and go,
 * this stays. */
struct run_pulses {
    float amps, vary; /* level of those long enough to show it, and how far they lie from it */
    float longest;    /* seconds: few are longer */
    int count;
};

/* What ran when the circuit rested (runs_rest.h). */
struct runs_rest {
    float level;
    int64_t mono_ms; /* until then; 0: none */
    int64_t ids[RUNS_MAX];
    float amps[RUNS_MAX]; /* of each of them */
    bool below;           /* it has been below that level since */
    int count;
};

struct runs {
    struct run all[RUNS_MAX];
    float base;              /* of the level, explained by no run */
    float loose;             /* of that, left over by edges that did not quite fit */
    float cut[RUNS_RETURN];  /* sizes of what was cut off at once, largest first, 0: none */
    float cut_loose;         /* and by the supply, what no run had explained */
    bool switched;           /* not by the supply */
    float gone[RUNS_RETURN]; /* the same of the last fall to nothing, until something rises */
    float gone_loose;
    float low; /* lowest level of the last hours: the base is no smaller */
    int64_t low_mono_ms;
    int64_t edge_mono_ms; /* last step or pulse of any of them */
    float unrest;         /* of those in the last minutes, how many; fades */
    float usual;          /* their size: most of them are no larger */
    struct run_pulses pulses;
    float told_amps; /* of the last run that was told and is over */
    int64_t told_off_mono_ms, told_id;
    int64_t counter;
    struct runs_rest rests[RUNS_RESTS];
};

/* Takes a step, or a pulse (before == after). Room is made by ending the run that has paused
 * longest; what ended is copied to over[] (RUNS_MAX places), the number returned. */
int runs_step(struct runs *r, const struct step *s, struct run over[RUNS_MAX]);

/* The run that is still starting, so that a rise of d at that moment is another stage of its
 * start; NULL: none. */
const struct run *runs_starting(const struct runs *r, int64_t mono_ms, float d);

/* The run that steps up and down all the time, so that a small rise at that moment is more
 * likely its own than a load's that begins; NULL: none. */
const struct run *runs_unsteady(const struct runs *r, int64_t mono_ms, float d);

/* What came on last of a run that is still starting is a load of its own. */
void runs_part(struct runs *r, const struct step *s, struct run *x, float last,
               struct run over[RUNS_MAX], int *n);

/* Runs that have paused long enough at that moment are over. *next_mono_ms is lowered to when
 * to ask again. */
int runs_tick(struct runs *r, int64_t mono_ms, struct run over[RUNS_MAX],
              int64_t *next_mono_ms);

/* The level has drifted by so much since the last step or drift. */
void runs_drift(struct runs *r, int64_t mono_ms, float amps);

/* The amps of each run, 0: it is off. What one has lent since it came on and what another has
 * got cancel out, the sum stays: drifts and edges that do not quite fit go to the wrong run now
 * and then. */
void runs_amps(const struct runs *r, float amps[RUNS_MAX]);

/* The supply is gone: all end. */
int runs_cut(struct runs *r, int64_t mono_ms, int64_t wall_ms, struct run over[RUNS_MAX]);

/* The moment from which this run deserves its load_on, as things stand; INT64_MAX while it has
 * none to come. */
int64_t runs_announce_due_ms(const struct runs *r, const struct run *x);

/* While this load was most of what flowed, n readings lay so far (on average) from the level.
 */
void runs_ripple(struct runs *r, float level, float deviation, float n);

/* What a run looked like, once it is over. */
struct run_shape {
    float amps;       /* mean while on */
    float first;      /* in its first seconds */
    float last;       /* before it ended */
    float most;       /* largest level */
    float growth;     /* its own largest level over its first */
    float inrush;     /* highest reading of its first seconds */
    float spread;     /* standard deviation of its levels over their mean */
    float ripple;     /* mean deviation from a level over the mean, negative: not known */
    float seconds;    /* from its beginning to its end */
    float on_seconds; /* of that, on */
    float changes;    /* of struct run, a minute */
    int pulses;
    float power_factor; /* 0: not known */
};
void run_shape(const struct run *r, struct run_shape *out);

/* Seconds from its beginning to its end, or to that moment. */
float run_seconds(const struct run *r, int64_t mono_ms);

#endif
