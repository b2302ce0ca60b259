/*
 * trip_texts - the sentences of a trip alarm, and the cautions that go with them.
 *
 * What somebody is told to do at a panel follows published advice (OSHA 29 CFR 1910.334(b)(2):
 * not back on until it is known to be safe; ESFI and CPSC 518: the signs of trouble; reset once
 * only: common practice) and always says that foretrip is no protective device.
 */
#ifndef FORETRIP_TRIP_TEXTS_H
#define FORETRIP_TRIP_TEXTS_H

#include "base/text.h"
#include "model/event.h"

/* What one circuit's open breaker is told from. */
struct trip_story {
    int circuit; /* whose breaker opened; for a feeder the feeder */
    enum trip_cause cause;
    double probability;
    double cause_probability;
    double amps_before;
    double heat;
    const char *loads;     /* "space heater 12.5 A, hair dryer 10.2 A", may be "" */
    const char *went_with; /* names of the circuits that went too, may be "" */
    size_t went_with_count;
};

/* "12 seconds", "5 minutes", "2 hours". */
void trip_texts_time(double seconds, struct text *out);
/* "space_heater" as people say it: "space heater". */
void trip_texts_appliance(const struct event_load *load, struct text *out);
/* The list of loads of a sentence, largest first, at most most of them, without the standing
 * load where there is any other. */
void trip_texts_loads(const struct event_load *loads, size_t count, size_t most,
                      struct text *out);

/* By which cause people are told of an open breaker: a feeder, whatever opened it, is not for
 * residents to reset. */
enum trip_cause trip_texts_told_as(const struct site *s, int circuit, enum trip_cause cause);

void trip_texts_trip(const struct site *s, const struct trip_story *story, struct text *text,
                     struct text *advice, struct figures *figures);
void trip_texts_outage(const struct site *s, size_t circuits, struct text *text,
                       struct text *advice);
void trip_texts_again(const struct site *s, int circuit, double seconds_held, struct text *text,
                      struct text *advice);
void trip_texts_worn(const struct site *s, int circuit, double worn, double amps_before,
                     struct text *text, struct text *advice, struct figures *figures);

#endif
