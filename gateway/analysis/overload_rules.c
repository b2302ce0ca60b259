#include "overload_rules.h"

#include <math.h>

/* Of being half way: */
#define LIKELY 0.8       /* enough beside a chance of opening, */
#define NEARLY_SHARE 0.7 /* also of a chance that is this much of the rule's, */
#define MAYBE 0.35       /* worth asking who joins: OUTLOOK_HALF_LEAST */

/* What joins: how likely a usual load opens it within JOIN_SECONDS of outlook.c, and how likely
 * one comes that does, while what runs now runs. */
static const struct {
    double there, opens, comes;
    int forgiven; /* so many warnings in vain */
} joins_maybe[2] = {{0.8, 0.5, 0.004, 2}, {0.3, 0.9, 0.005, 2}};
#define COMES_LEAST 0.03
#define COMES_WORTH 0.5 /* of the chance that the warning is for nothing */
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

bool overload_rules_nearly(const struct rules *r, const struct outlook *o)
{
    return o->half >= LIKELY && o->chance >= NEARLY_SHARE * r->near_overload_chance;
}

bool overload_rules_maybe(const struct outlook *o, int in_vain)
{
    double cool = 1.0 - fmax(o->half, o->half_now);
    for (int k = 0; k < 2; k++) {
        int doubled = in_vain > joins_maybe[k].forgiven ? in_vain - joins_maybe[k].forgiven : 0;
        if (there(o) >= joins_maybe[k].there && o->join_chance >= joins_maybe[k].opens &&
            o->joined >= ldexp(joins_maybe[k].comes, doubled))
            return true;
    }
    return o->half >= MAYBE && o->joined >= COMES_LEAST &&
           o->joined >= COMES_WORTH * (cool + 0.02);
}

bool overload_rules_keep(const struct rules *r, const struct outlook *o)
{
    return o->chance >= r->near_overload_clear_chance ||
           (o->half >= MAYBE && o->join_chance >= KEEPS_OPENS);
}
