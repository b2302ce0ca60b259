/*
 * outlook - what a circuit's current will do next, and what that does to its breaker.
 *
 * Not "if this current went on for ever": every running load ends when loads of its size
 * usually end, and loads that usually join may join. The chance is the mean over how long the
 * running loads may go on (five quantiles of their usual length).
 *
 * Units      amps RMS, seconds
 * Ownership  plain data; borrows what it asks
 * Cost       some microseconds to tens of them
 */
#ifndef FORETRIP_OUTLOOK_H
#define FORETRIP_OUTLOOK_H

#include "breaker.h"
#include "dwell.h"
#include "habits.h"
#include "joins.h"
#include "loads.h"

/* below this chance of being half way nobody asks who joins */
#define OUTLOOK_HALF_LEAST 0.3

/* too soon to be warned of after it came on: what joins is judged within it, and what has */
#define OUTLOOK_SOON_SECONDS 45.0

struct outlook {
    double amps;
    double chance;      /* of opening within the rule's horizon, the loads ending as usual */
    double half;        /* of being half way to opening (H = 0.5) by then, */
    double half_now;    /* and of being there now */
    double soon;        /* of opening within OUTLOOK_SOON_SECONDS, should this current stay */
    double join_amps;   /* of the usual load that would open it soonest, 0: none known */
    double join_chance; /* of opening within a minute if that load came on now */
    double joined;      /* chance that a usual load does come while what runs now runs, and then
                           opens it within a minute, by the habits alone, */
    double joins;       /* and by how many of the openings so expected here did come */
    double join_rate;   /* such openings a second to be expected, by the habits alone */
    struct event_load running[LOADS_MAX_RUNNING]; /* largest first */
    size_t running_count;
};

struct outlook_sources {
    const struct site *site;
    const struct rules_set *rules;
    const struct breakers *breakers;
    const struct loads *loads;
    const struct habits *habits;
    const struct dwell *dwells; /* per circuit, NULL: nothing known */
    const struct joins *joins;  /* per circuit, NULL: all that is expected comes */
};

/* At `amps` at this moment, that of the last reading its sources have taken. What a warning may
 * count on: a load ends by its own length or with the stay of its current, whichever is sooner,
 * so chance and half are rather too low. */
void outlook_take(const struct outlook_sources *from, int circuit, int64_t mono_ms, double amps,
                  struct outlook *out);

/* The chance of opening within `seconds`, all told, as true as it can be: where the stay of the
 * current is known its end alone counts, else the loads end as usual; and usual loads join as
 * often as they have done. For whoever wants a number; near_overload weighs outlook_take. */
double outlook_chance(const struct outlook_sources *from, int circuit, int64_t mono_ms,
                      double amps, double seconds);

/* True when no outlook of this circuit can show a chance of `chance` or a half of `half` within
 * the next `seconds` while it carries at most `amps`: every heat rises with the current,
 * running loads can only end, and holding until then only speaks for the breaker. A tenth of
 * outlook_take's cost. */
bool outlook_calm(const struct outlook_sources *from, int circuit, double amps, double seconds,
                  double chance, double half);

/* The smallest set of running loads, essential ones, the standing load and what is too small to
 * be named left out, without which the chance at what remains, held for the horizon, is at most
 * the rule's clear chance. Where the chance by itself is below the rule's, what threatens is a
 * load that joins: then with that one on top. Among equally small sets the one with the fewest
 * amps. When none does, all of them. Returns how many. */
size_t outlook_switch_off(const struct outlook_sources *from, int circuit,
                          const struct outlook *o, struct event_load out[LOADS_MAX_RUNNING]);

#endif
