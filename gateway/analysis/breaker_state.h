/*
 * breaker_state - the inside of struct breakers, shared by the breaker_*.c files only.
 *
 * Two ways lead through a second. A pole that carries less than half its rating and changes
 * only by noise is quiet: its squared readings are summed up (base, band, sum lie side by side,
 * four poles a step) and its replicas are stepped once for several frames with the mean. Every
 * other pole is exact: stepped with every reading.
 *
 * Why quiet cannot matter. Within a batch |q - q0| <= QUIET_Q and the batch lasts at most
 * QUIET_MS, so against the exact steps h differs by at most QUIET_Q * (1 - e^(-batch/tau)) / 4
 * < 1.3e-4 when the batch ends, and the difference then fades with tau. At any current that can
 * open a breaker at all it shifts the opening by less than tau * 1.3e-4 / (q - k^2): a
 * hundredth of a second. Heat below HYPOTHESES_LEAST_K^2 opens nothing and teaches nothing, so
 * `top` need not follow it.
 */
#ifndef FORETRIP_BREAKER_STATE_H
#define FORETRIP_BREAKER_STATE_H

#include "breaker.h"
#include "forecast.h"

#define NEVER_MS INT64_MIN
#define QUIET_AMPS_SHARE 0.5 /* of the rating: q <= 0.25 = HYPOTHESES_LEAST_K^2 */
#define QUIET_Q 5e-4
#define QUIET_MS 8000

/* how long a current was carried that must open the breaker */
struct overstay {
    double seconds;
    double below_seconds; /* since it was last that high */
};

/* What every reading touches comes first, in as few cache lines as it goes. */
struct pole {
    double h[HEAT_STATES]; /* with every gap taken as rest; as of h_ms */
    double top[HEAT_TAUS]; /* most that was felt in this warming */
    int64_t h_ms;          /* NEVER_MS before the first reading */
    double before;         /* the reading before the last */
    double amps;           /* last reading (quiet: at the beginning of the batch) */
    int steps;             /* exact ones, to look at the warming now and then */
    bool wide;             /* width counts */
    bool warmed; /* some top may say something: exact steps were made, or it is high */
    bool loaded; /* from before a restart: the first reading ends a gap */
    double
        width[HEAT_STATES]; /* how much more it is with every gap taken as load, at width_ms */
    int64_t width_ms;
    double upper_share; /* how likely the upper end of the width is */
    struct overstay open, quick;
};

struct circuit {
    struct hypotheses_class *class;
    double q_per_amps2;           /* 1 / (rating in this ambient)^2 */
    double zero_amps;             /* its rule: below this it carries nothing */
    double open_amps, quick_amps; /* must open, with what the meter and the air may be off */
    bool fallen;
    double rating_amps;              /* in this ambient */
    double held[HEAT_TAUS];          /* most heat of earlier warmings, survived */
    struct hypotheses_grid *learned; /* factors on the prior, NULL: nothing yet */
    unsigned lessons;                /* how often held or learned has changed */
    double fall_h[HEAT_STATES];      /* heat when the current last fell to nothing, */
    double fall_top[HEAT_TAUS];      /* the most of that warming until one reading before, */
    double fall_amps;                /* the current then, */
    double fall_seconds;             /* how long before the fall it was last read, */
    int64_t fall_ms;                 /* and the frame that showed it */
};

/* A view, made anew only when something was learned. */
struct kept_view {
    struct hypotheses_view view;
    unsigned lessons; /* of the circuit when it was made */
    bool made;
};

struct breakers {
    const struct site *site;
    const struct rules_set *rules;
    struct circuit *circuits;
    struct pole *poles;
    int *circuit_of; /* per pole */
    struct hypotheses_class **classes;
    size_t class_count;
    struct kept_view **views; /* per circuit, NULL until it is asked of */

    float *base; /* quiet: what the pole carried when the batch began; NaN: exact */
    float *band; /* and how far it may lie off that */
    float *sum;  /* of the squares in this batch */
    int64_t batch_ms;
    int batch_frames;

    int64_t frame_ms, wall_ms; /* of the last frame */
    int64_t saved_wall_ms;     /* when the loaded state was saved */
    int64_t intervals[4];      /* of the last frames */
    int64_t usual_ms;          /* the shortest of them, as of this frame */
    size_t frames;
};

/* The heat at the last frame of one pole, its batch included. */
void pole_heat(const struct breakers *b, size_t pole, double h[HEAT_STATES]);
/* Its width at the last frame; all zero when it is not wide. */
void pole_width(const struct breakers *b, size_t pole, double width[HEAT_STATES]);

/* The usual time between frames, 0 while unknown. */
int64_t breakers_usual_ms(const struct breakers *b);

#endif
