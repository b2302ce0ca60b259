/*
 * habits - which loads usually come on at a circuit, when, and for how long.
 *
 * Loads that came on are gathered by size; each size keeps a count for every three hours of the
 * local day and the length of its runs, all fading over weeks. From it: how likely a load of
 * that size joins within some time, and how long what runs now is likely to go on.
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

#define HABITS_OF_CIRCUIT 12
#define HABITS_HOURS 8 /* parts of the day */

struct habits;

/* A size of load that may come on. */
struct habit_join {
    double amps;
    double count;   /* how often it was seen, fading */
    double chance;  /* that it comes on within the time asked for */
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

/* What may join within `seconds`, the loads in running[] left out; returns how many. */
size_t habits_joins(const struct habits *h, int circuit, double seconds,
                    const struct event_load *running, size_t running_count,
                    struct habit_join out[HABITS_OF_CIRCUIT]);

/* How much longer a load of this size that has run for `elapsed` goes on: the time that is not
 * outlasted with probability `share` (0.5: the median). Little is known: minutes to hours. */
double habits_remaining_seconds(const struct habits *h, int circuit, double amps,
                                double elapsed, double share);

void habits_save(const struct habits *h, struct codec_out *out);
bool habits_load(struct habits *h, struct codec_in *in);

#endif
