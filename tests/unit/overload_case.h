/*
 * overload_case - one 15 A UL 489 circuit with everything that near_overload asks, fed by hand;
 * beside it two of two poles, 40 A and 20 A, which carry nothing unless they are told to.
 */
#ifndef FORETRIP_TEST_OVERLOAD_CASE_H
#define FORETRIP_TEST_OVERLOAD_CASE_H

#include "analysis/near_overload.h"
#include "analysis/outlook.h"

#define OVERLOAD_MOST_ALARMS 64

struct overload_case {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures; /* none */
    struct frame *frame;
    struct breakers *breakers;
    struct loads *loads;
    struct alarms *alarms;
    struct near_overload *near;
    struct habits *habits; /* those that outlook_sources borrows, fed with the same events */
    struct outlook_sources sources;
    float range_amps[2], shop_amps[2]; /* the other circuits' poles */
    int raised;                        /* near_overload alarms so far */
    int64_t raised_ms;                 /* the last of them, mono */
    int raised_on;                     /* circuit of the last */
    bool alert;                        /* it was one */
    double p50_seconds;                /* what it said: most likely, */
    char text[512];                    /* what it said */
    double off_amps;                   /* what it said to switch off, all together */
    double off[2];                     /* the first of them, each */
    size_t off_count;
};

void overload_set_up(struct overload_case *t);
void overload_tear_down(struct overload_case *t);

/* The same current for so many seconds. */
void overload_hold(struct overload_case *t, double amps, int seconds);

#endif
