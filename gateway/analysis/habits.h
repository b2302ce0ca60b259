/*
 * habits - which loads usually come on at a circuit, when, after what, and for how long.
 *
 * Loads that came on are gathered by size. Each size keeps a count for every three hours of the
 * local day, the lengths of its runs (what the supply cut short would have run on: it counts
 * among the longer ones), and its pace: how often it came on, by the time since it
 * last came or went, apart for while it runs already (a second one of that size) and while it
 * does not (a thermostat). Beside it, for every two sizes, how soon the second followed the
 * first (a pump, and then the heating of the same machine). All of it fades over weeks. From
 * it: how likely a load of that size joins within some time, and how long what runs now is
 * likely to go on.
 *
 * Units      amps RMS, seconds
 * Ownership  create .. destroy; borrows the site
 * Threads    none inside
 */
#ifndef FORETRIP_HABITS_H
#define FORETRIP_HABITS_H

#include "base/codec.h"
#include "model/event.h"
#include "model/frame.h"

#define HABITS_OF_CIRCUIT 16
#define HABITS_HOURS 8  /* parts of the day */
#define HABITS_SEEN 1.5 /* comings, fading: a size seen once is no habit */

struct habits;

/* A size of load that may come on. */
struct habit_join {
    int place; /* for habits_expects */
    double amps;
    double count;   /* how often it was seen, fading */
    double seconds; /* how long it then runs, the longer half of its runs apart */
};

struct habits *habits_create(const struct site *s);
void habits_destroy(struct habits *h);

/* Takes load_on and load_off; other events are ignored. */
void habits_event(struct habits *h, const struct event *e);

/* Once a frame: time goes by. */
void habits_step(struct habits *h, const struct frame *f);

/* The largest size known of a circuit, 0 when none. */
double habits_largest_amps(const struct habits *h, int circuit);

/* True when a load of this size has come on there more than once. */
bool habits_knows(const struct habits *h, int circuit, double amps);

/* What may join; returns how many. */
size_t habits_joins(const struct habits *h, int circuit,
                    struct habit_join out[HABITS_OF_CIRCUIT]);

/* How often it is expected to come within `seconds` while running[] runs: 0.1 is a chance of a
 * little less than 0.1. A size that runs already may come once more, at a pace of its own. */
double habits_expects(const struct habits *h, int circuit, const struct habit_join *join,
                      const struct event_load *running, size_t running_count, double seconds);

/* How much longer a load of this size that has run for `elapsed` goes on: the time that is not
 * outlasted with probability `share` (0.5: the median). Little is known: minutes to hours. */
double habits_remaining_seconds(const struct habits *h, int circuit, double amps,
                                double elapsed, double share);

void habits_save(const struct habits *h, struct codec_out *out);
bool habits_load(struct habits *h, struct codec_in *in);

#endif
