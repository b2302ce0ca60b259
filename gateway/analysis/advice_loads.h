/*
 * advice_loads - which loads were on when something happened, and around when to look. For
 * advice*.c only.
 */
#ifndef FORETRIP_ADVICE_LOADS_H
#define FORETRIP_ADVICE_LOADS_H

#include "advice_replay.h"

#define ADVICE_BEFORE_MS                                                                       \
    (3 * INT64_C(3600000))               /* a breaker is taken to be cold so long before */
#define ADVICE_AFTER_MS INT64_C(3600000) /* and what ran on is followed so far */
#define ADVICE_MOST_CANDIDATES 16
#define ADVICE_MOST_SPANS 1024

/* Spans in order, none touching another, of whole seconds; how many. Around the trips and
 * warnings of a circuit; around the runs of a load, the latest where they are too many. */
size_t advice_incident_spans(const struct advice_record *r, int circuit,
                             struct span out[ADVICE_MOST_SPANS]);
size_t advice_run_spans(const struct advice_record *r, const struct advice_load *l,
                        struct span out[ADVICE_MOST_SPANS]);

/* The loads that were on when it happened: by size, by name, by the sizes around; how many. */
size_t advice_find_candidates(const struct advice_record *r, int circuit,
                              struct advice_load list[ADVICE_MOST_CANDIDATES]);

/* The load as it comes to another circuit: with what cannot be told from it. */
struct advice_load advice_moved(const struct advice_load *l, const struct advice *described);

/* What the load is, into the advice. */
void advice_describe(const struct advice_record *r, const struct advice_load *l,
                     struct advice *out);

#endif
