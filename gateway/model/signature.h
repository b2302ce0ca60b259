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

/* Of a circuit's day taken whole (analysis/portrait.h): watts, seconds and counts a day as
 * logarithms, shares as they are. */
enum signature_day {
    DAY_LEVEL_5, /* watts that the circuit draws less than for so many hundredths of the time */
    DAY_LEVEL_25,
    DAY_LEVEL_50,
    DAY_LEVEL_75,
    DAY_LEVEL_90,
    DAY_LEVEL_97,
    DAY_LEVEL_99,
    DAY_LEVEL_997,
    DAY_LEVEL_9995,
    DAY_LEVEL_9999,
    DAY_LEVEL_99997,
    DAY_OVER_20, /* share of the time over so many watts */
    DAY_OVER_100,
    DAY_OVER_500,
    DAY_OVER_1500,
    DAY_MEAN,   /* watts */
    DAY_WANDER, /* watts of steps up and down, a second */
    DAY_RUNS,
    DAY_ON_SHARE,
    DAY_WATTS_BY_CHARGE, /* of the runs, weighed by what they drew; then their spread */
    DAY_WATTS_BY_CHARGE_VARY,
    DAY_WATTS_BY_RUN,
    DAY_WATTS_BY_RUN_VARY,
    DAY_SECONDS_BY_RUN,
    DAY_SECONDS_VARY,
    DAY_SECONDS_BY_TIME,
    DAY_GAP, /* from one beginning to the next */
    DAY_GAP_VARY,
    DAY_NIGHT, /* share of the runs that begin before six, after seventeen */
    DAY_EVENING,
    DAY_INRUSH, /* of the runs, on the scales above, weighed by what they drew */
    DAY_RISE,
    DAY_FADE,
    DAY_SPREAD,
    DAY_CHANGES,
    DAY_PULSES,
    DAY_RIPPLE,
    DAY_FLUTTER, /* watts between one quiet half minute and the next, while something is on */
    DAY_UNREST,  /* watts that readings lie from the level then */
    DAY_MOVING,  /* share of that time in which they do not rest */
    DAY_EARLY,   /* share of what it drew before six, six to twelve, from eighteen on */
    DAY_MORNING,
    DAY_LATE,
    DAY_STANDBY, /* watts while nothing is on */
    DAY_UP_LOW, /* while something is: watts that it draws less than for 10 and 50 hundredths */
    DAY_UP_MIDDLE,
    DAY_UP_SPREAD,     /* logarithms: from 10 to 90 hundredths, from there to 99.9 */
    DAY_UP_PEAK,       /* (of that time) */
    DAY_LEVELS,        /* at how many levels: entropy, in natural units */
    DAY_ONE_LEVEL,     /* share of it within two thirds of an octave */
    DAY_UNREST_SHARE,  /* unrest and flutter as a part of its watts; how much unrest varies */
    DAY_FLUTTER_SHARE, /* (logarithms) */
    DAY_UNREST_VARY,
    DAY_WANDER_UP,    /* watts of steps, a second that something is on; a watt-second drawn */
    DAY_WANDER_SHARE, /* (logarithms) */
    DAY_UP_A_RUN,     /* seconds that something is on, for each run */
    DAY_PULSES_VARY,
    DAY_FROM_LOW, /* of the watts of steps to twice as much and more: from what was on; linear
                   */
    DAY_TO_LOW,   /* of those to half and less: to what stays on */
};
#define SIGNATURE_DAY 59
#define SIGNATURE_DAY_NONE (-9.0F) /* to the trees, what is not known lies below everything */

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

/* Trees that tell what a circuit carries by its day: each asks one figure after another and
 * ends at a leaf, which knows the shares of the appliances there. A tree is a row of numbers in
 * order of descent. A split has three: the figure (enum signature_day), its threshold in
 * hundredths, and how far on (uint16_t) those for days above it begin; for the others the next
 * one is meant. A leaf has -1 - how many shares follow, and each of them is its class times
 * SIGNATURE_SHARE and its hundredths. */
#define SIGNATURE_CLASSES 128
#define SIGNATURE_SHARE 128
#define SIGNATURE_SEVERAL (-1)  /* the circuit carries several appliances */
#define SIGNATURE_NO_CLASS (-2) /* one that the set has not */
#define SIGNATURE_TREE_DEPTH 64

struct signature_forest {
    int16_t *numbers;
    size_t number_count;
    int32_t *trees; /* where each begins */
    size_t tree_count;
    int16_t classes[SIGNATURE_CLASSES]; /* signature's index, or one of the two above */
    size_t class_count;
};

struct signature_set {
    struct signature *signatures;
    size_t count;
    struct signature_forest forest; /* no trees: days are not judged */
    bool shipped;                   /* those in the program, not the site's own */
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

/* The shares of the classes by a day, each the mean of the trees; NaN: not known. */
void signature_forest_shares(const struct signature_forest *f, const float day[SIGNATURE_DAY],
                             float shares[SIGNATURE_CLASSES]);

/* Fills *out (zeroed) with a copy of its own. False: memory is short, and *out is zeroed. */
bool signature_set_copy(struct signature_set *out, const struct signature_set *of);

void signature_set_free(struct signature_set *set);

#endif
