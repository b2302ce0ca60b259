/*
 * loads - what is on: steps in each circuit's current, runs of appliances, the standing load.
 *
 * Edges in the current are found and paired into runs; runs are compared with signatures. At
 * any time the running loads, the standing load and an unexplained rest add up to the reading.
 *
 * A reading inside the band of its circuit costs a few additions, side by side for all
 * circuits; every 32nd frame hands the sums over. What needs to be called while nothing
 * changes: a movement (from the first reading outside the band until it has settled, at most 20
 * s) wants every reading there is; and what is due (a load_on, the end of a pause) comes with
 * the first call at or after its time, which the events do not depend on: they carry the moment
 * of the edge.
 *
 * Units      amps RMS, seconds
 * Ownership  create .. destroy; borrows site, rules and signatures, which must outlive it
 * Threads    none inside
 */
#ifndef FORETRIP_LOADS_H
#define FORETRIP_LOADS_H

#include "base/codec.h"
#include "model/event.h"
#include "model/frame.h"
#include "model/rules.h"
#include "model/signature.h"

#define LOADS_MAX_RUNNING 16 /* of one circuit at a time */

/* Two words that stand in event_load.appliance beside the keys of the signatures. */
#define LOADS_UNKNOWN "unknown"
#define LOADS_STANDING "standing_load" /* what was never seen to begin: no load of its own */

struct loads;

/* load_on and load_off go to the sink as they are found. */
struct loads *loads_create(const struct site *s, const struct rules_set *rules,
                           const struct signature_set *signatures, event_sink *sink,
                           void *context);
void loads_destroy(struct loads *l);

/* Takes a frame. A circuit in `cut` (bool per circuit, NULL for none) has lost its supply: its
 * runs end with that, and nothing is learned from how they ended. */
void loads_step(struct loads *l, const struct frame *f, const bool *cut);

/* The loads running now (as of the last frame taken), largest first; returns how many (at most
 * LOADS_MAX_RUNNING). */
size_t loads_running(const struct loads *l, int circuit,
                     struct event_load out[LOADS_MAX_RUNNING]);

/* What the reading has beyond the loads listed by loads_running (or lacks, when one is just
 * going); 0 without a reading. */
double loads_rest_amps(const struct loads *l, int circuit);

/* What never goes away on this circuit, and how sure that is known (0..1). */
double loads_standing_amps(const struct loads *l, int circuit, double *confidence);

/* What the circuit is, taken whole, when it carries one appliance alone: judged by its days
 * (portrait.h), so not before the first is nearly over. */
struct loads_whole {
    bool judged;
    bool several;                         /* it carries several; probability is that of this */
    char appliance[EVENT_APPLIANCE_SIZE]; /* the one, or unknown */
    char likely[EVENT_APPLIANCE_SIZE];    /* unknown: what it is most like, else "" */
    double probability;
    double days; /* it was watched, the last ones counting most: at most three or so */
};
void loads_whole(const struct loads *l, int circuit, struct loads_whole *out);

/* What a person, a page or a tool may know of the loads of one circuit. */
struct loads_known {
    uint32_t id; /* of this circuit; published as "<circuit id>/<id>" */
    char appliance[EVENT_APPLIANCE_SIZE];
    char name[EVENT_APPLIANCE_SIZE]; /* given by a person, else "" */
    double probability;              /* of the appliance */
    double amps, watts, seconds;     /* usually; watts at the nominal voltage */
    double runs, per_day;
    double share; /* of what the known loads of this circuit drew */
    int64_t first_wall_ms, last_wall_ms;
    double hours[24]; /* of its runs, begun in that local hour */
    bool running;
    int moved_from; /* circuit index where the same load was seen until this one began, else -1
                     */
};
#define LOADS_MAX_KNOWN 24

/* By share, largest first; how many. */
size_t loads_known(const struct loads *l, int circuit, struct loads_known out[LOADS_MAX_KNOWN]);

/* A person names a load; it keeps the name and lends it to every run of its kind. "" takes the
 * name back. False when the circuit has no such load or the name is too long or not plain text.
 */
bool loads_name(struct loads *l, int circuit, uint32_t id, const char *name);

/* The same by its published number, "<circuit id>/<id>". */
bool loads_name_published(struct loads *l, const char *published, const char *name);

/* Every run that is over, with what is known of it: for tests and for fitting signatures. */
struct run;
struct run_shape;
struct learned_load;
typedef void loads_observer(void *context, int circuit, const struct run *r,
                            const struct run_shape *s, const struct learned_load *load);
void loads_observe(struct loads *l, loads_observer *observer, void *context);

void loads_save(const struct loads *l, struct codec_out *out);
bool loads_load(struct loads *l, struct codec_in *in);

#endif
