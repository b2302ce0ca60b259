/* trips_rig - for tests of trips: a house of six circuits with real breakers and loads, fed by
 * the second. */
#ifndef FORETRIP_TRIPS_RIG_H
#define FORETRIP_TRIPS_RIG_H

#include "analysis/trips.h"

#define WALL0 1772370000000LL /* 2026-03-01T13:00:00Z */

struct house {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures;
    struct breakers *breakers;
    struct loads *loads;
    struct trips *trips;
    struct frame *frame;
    int64_t second, restored_wall_ms;
    size_t said[3], restored, again; /* by stage */
    struct event_trip last;
    char last_id[EVENT_ID_SIZE];
    struct event_before before[EVENT_MOST_BEFORE]; /* of the last */
    struct event_correction correction;
    char corrected_id[EVENT_ID_SIZE];
    size_t corrections;
    int last_circuit;
    struct {
        size_t told;           /* trips of it, in whatever stage */
        enum trip_stage stage; /* of the newest telling, and so on */
        enum trip_cause cause;
        double probability;
        int upstream;
        size_t with_count;
        int64_t opened_wall_ms;
        size_t restored;
        double seconds_open;
    } of[6]; /* circuits */
};

/* two branches in the main panel, a two-pole one, and a shop behind a feeder with two */
void set_up(struct house *h);
void tear_down(struct house *h);

struct amps {
    float hall, bath, range_a, range_b, saw, bench;
};

extern const struct amps quiet;
/* quiet, but for the hall */
struct amps with(float hall);

/* the feeder carries what is behind it */
void feed(struct house *h, int seconds, struct amps a);

/* what is measured of the main panel's legs from now on; NaN: nothing */
void measure_volts(struct house *h, float volts_a, float volts_b);

/* the hall carries twice its rating for a minute */
void overload(struct house *h);

#endif
