#include "overload_rules.h"

#include <math.h>

#define LIKELY 0.75 /* of being half way: enough beside a chance of opening */

/* Of opening within OUTLOOK_SOON_SECONDS, and how long that has to stand: */
#define SOON 0.4
#define SOON_SECONDS 2.0
/* beside a chance of opening, where half a minute of notice may be gone a moment later: such a
 * chance, or half of it within those seconds, waits for the next reading only */
#define QUICK_CHANCE 0.5
#define QUICK_SOON 0.3
#define QUICK_SECONDS 1.0
#define AT_ONCE_SOON 0.7 /* and this, when a known load has just come on, for none */

/* What joins: how likely a usual load opens it within OUTLOOK_SOON_SECONDS. It has to come with
 * COMES while what runs now runs. What was said in vain doubles that, but what opens it for
 * certain, and is not that rare, is not hushed up for ever. */
#define COMES 0.006
#define FORGIVEN 2 /* so many in vain */
static const struct {
    double there, opens;
    int doubled; /* at the most */
} joins_maybe[] = {{0.4, 0.7, 9}, {0.3, 0.95, 2}};
#define JOINS_MAYBE (sizeof joins_maybe / sizeof joins_maybe[0])
#define COMES_LEAST 0.03
#define COMES_WORTH 0.35 /* of the chance that the warning is for nothing */
#define KEEPS_OPENS 0.3

/* half way now, and not about to be over */
static double there(const struct outlook *o)
{
    return fmin(o->half, o->half_now);
}

bool overload_rules_near(const struct rules *r, const struct outlook *o)
{
    return o->half >= LIKELY && o->chance >= r->near_overload_chance;
}

bool overload_rules_soon(const struct outlook *o)
{
    return o->soon >= SOON;
}

double overload_rules_on_seconds(const struct rules *r, const struct outlook *o, bool comes_on)
{
    double most = r->near_overload_on_seconds;
    if (overload_rules_soon(o))
        most = fmin(most, SOON_SECONDS);
    if (!overload_rules_near(r, o))
        return most;
    if (comes_on && o->soon >= AT_ONCE_SOON)
        return 0.0;
    return o->chance >= QUICK_CHANCE || o->soon >= QUICK_SOON ? fmin(most, QUICK_SECONDS)
                                                              : most;
}

bool overload_rules_maybe(const struct outlook *o, int in_vain)
{
    double cool = 1.0 - fmax(o->half, o->half_now);
    int doubled = in_vain > FORGIVEN ? in_vain - FORGIVEN : 0;
    for (size_t k = 0; k < JOINS_MAYBE; k++) {
        int times = doubled < joins_maybe[k].doubled ? doubled : joins_maybe[k].doubled;
        if (there(o) >= joins_maybe[k].there && o->join_chance >= joins_maybe[k].opens &&
            o->joined >= ldexp(COMES, times))
            return true;
    }
    return o->half >= OUTLOOK_HALF_LEAST && o->joined >= COMES_LEAST &&
           o->joined >= COMES_WORTH * (cool + 0.02);
}

bool overload_rules_keep(const struct rules *r, double rating_amps, const struct outlook *o)
{
    if (o->amps > rating_amps && o->half >= LIKELY)
        return true;
    return o->chance >= r->near_overload_clear_chance || overload_rules_soon(o) ||
           (o->half >= OUTLOOK_HALF_LEAST && o->join_chance >= KEEPS_OPENS);
}
