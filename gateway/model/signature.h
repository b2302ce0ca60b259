/*
 * signature - what an appliance looks like to a current transformer.
 *
 * Read from appliances.cfg by config/, compared with runs by analysis/appliances.h. A signature
 * is one or several modes (a pump and an element; a long programme and a short one), each of
 * them a distribution over the features that a run has: a centre and a width on the feature's
 * own scale, mostly logarithmic. A feature that the file does not give is taken to say nothing.
 *
 * Watts are those of an appliance for 230 V. What is made for 120 V does the same work on three
 * quarters of the power, because its circuit gives no more (kettles 1500 against 2040 W,
 * portable heaters 1500 against 2000 W): SIGNATURE_WATTS_120.
 */
#ifndef FORETRIP_SIGNATURE_H
#define FORETRIP_SIGNATURE_H

#include "site.h"

#define SIGNATURE_KEY_SIZE 48
#define SIGNATURE_MAX 200
#define SIGNATURE_MODES 5
#define SIGNATURE_WATTS_120 0.75

enum signature_feature {
    /* of one run */
    SIGNATURE_WATTS,   /* mean while on */
    SIGNATURE_SECONDS, /* on, without pauses */
    SIGNATURE_INRUSH,  /* highest reading of the first seconds over where they stayed */
    SIGNATURE_RISE,    /* largest level over the first */
    SIGNATURE_FADE,    /* last level over the first */
    SIGNATURE_SPREAD,  /* standard deviation of the levels over their mean */
    SIGNATURE_CHANGES, /* steps between levels, a minute */
    SIGNATURE_PULSES,  /* on-times in one run */
    SIGNATURE_RIPPLE,  /* percent that readings lie from the level; of heavy loads */
    /* of the runs of one load */
    SIGNATURE_USUAL_SECONDS,
    SIGNATURE_SECONDS_VARY, /* standard deviation of their logarithm */
    SIGNATURE_GAP_SECONDS,  /* from one beginning to the next */
    SIGNATURE_GAP_VARY,
    SIGNATURE_NIGHT, /* share that begins between midnight and six; linear */
    SIGNATURE_PER_DAY,
    SIGNATURE_LATELY, /* of the last hour and a half, this one included */
    /* where the meter gives it; linear */
    SIGNATURE_POWER_FACTOR,
};
#define SIGNATURE_FEATURES 17
#define SIGNATURE_PADDED 20 /* to whole lanes (base/lanes.h); the rest is NaN */

struct signature_mode {
    float part;                     /* of its runs; the parts of a signature add up to 1 */
    float centre[SIGNATURE_PADDED]; /* on the feature's scale; NaN: says nothing */
    float width[SIGNATURE_PADDED];  /* standard deviation there */
};

struct signature {
    char key[SIGNATURE_KEY_SIZE];   /* "kettle", "refrigerator": published in events */
    char name[SITE_NAME_SIZE];      /* for people */
    char group[SIGNATURE_KEY_SIZE]; /* of those that are hard to tell apart; "" for none */
    double watts_low, watts_high;   /* where eight in ten of them lie, at 230 V */
    double share;                   /* how common it is among what runs: 1 usual, 0.1 rare */
    double sure;                    /* probability from which on it is named */
    bool essential;
    struct signature_mode modes[SIGNATURE_MODES];
    size_t mode_count;
};

struct signature_set {
    struct signature *signatures;
    size_t count;
};

/* The key in appliances.cfg: "watts", "usual_seconds". */
const char *signature_feature_name(enum signature_feature f);

/* From the feature's unit to its scale and back. */
float signature_scale(enum signature_feature f, float value);
float signature_unscale(enum signature_feature f, float scaled);

/* Low, typical and high (10, 50 and 90 of a hundred) as centre and width. */
void signature_range(struct signature_mode *m, enum signature_feature f, const double range[3]);

/* Every centre NaN, part 1. */
void signature_mode_init(struct signature_mode *m);

/* NULL when there is none. */
const struct signature *signature_find(const struct signature_set *set, const char *key);

void signature_set_free(struct signature_set *set);

#endif
