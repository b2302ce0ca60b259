/*
 * loads_inner - what the files of the loads module share; nobody else includes it.
 */
#ifndef FORETRIP_LOADS_INNER_H
#define FORETRIP_LOADS_INNER_H

#include "loads.h"

#include "appliances.h"
#include "learned.h"
#include "portrait.h"
#include "runs.h"
#include "series.h"
#include "stages.h"
#include "steps.h"

#define STANDING_HOURS 24 /* hourly lows that make the standing load */

struct circuit {
    struct steps steps;
    struct runs runs;
    struct learned learned;
    struct series series;
    float hour_low[STANDING_HOURS]; /* lowest settled level of each of the last hours, by hour %
                                       24 */
    int64_t hour;                   /* mono hour that hour_low is being written for */
    int hours;                      /* how many have been written */
    bool begun;                     /* the first level has been found */
    int64_t begun_wall_ms;          /* the first ever */
    float watts;                    /* at the level, while watts_known */
    bool watts_known;
    int64_t rested_from; /* frame number its quiet sums began at */
    struct portrait portrait;
    char alone[EVENT_APPLIANCE_SIZE]; /* by its days the circuit is that appliance, "": it is
                                         not */
    float alone_probability;
    float held_amps; /* since held_mono_ms, for the portrait */
    int64_t held_mono_ms;
    int64_t due_mono_ms; /* when one of its runs is to be announced or is over */
};

_Static_assert(sizeof(struct circuit) <= 64 * 1024,
               "what is known of a circuit's loads is bounded");

/* What every frame touches lies side by side: reading, level, band and the two sums. */
struct loads {
    const struct site *site;
    const struct signature_set *signatures;
    event_sink *sink;
    void *context;
    loads_observer *observer;
    void *observer_context;
    size_t count;
    bool single; /* every circuit has one pole: its number is the pole's */
    int64_t frames;
    int64_t mono_ms, wall_ms;
    int32_t utc_offset_seconds;
    int64_t due_mono_ms;                             /* the earliest of the circuits' */
    const struct frame *frame;                       /* while it is taken */
    float *amps, *level, *band, *offset, *deviation; /* lanes_padded */
    struct circuit *circuits;
    bool *cut; /* as told by the last frame */
    float block[];
};

/* Who a run is: a person's name for its load, else what the signatures say. over: it is over,
 * and shape is all of it; else only size and inrush are known. */
struct loads_label {
    char appliance[EVENT_APPLIANCE_SIZE];
    float probability;
    bool essential;
};
void loads_label(const struct loads *l, size_t i, const struct run_shape *s,
                 const struct learned_load *load, struct loads_label *out);

/* The features of a load as it usually is. */
void loads_usual_features(const struct loads *l, size_t i, const struct learned_load *c,
                          float x[SIGNATURE_FEATURES]);

/* Of two struct event_load, for qsort. */
int loads_larger_first(const void *a, const void *b);

#endif
