/*
 * homie - the house as a device of Homie 5, beside the gateway's own topics.
 *
 *     <domain>/5/<site>/$state, $description
 *     <domain>/5/<site>/<circuit>/amps, watts, volts, power-factor, load, heat, headroom,
 *                                 trip-chance, state, alarm, measured
 *     <domain>/5/<site>/house/alarms, unacknowledged
 *     <domain>/5/<site>/$alert/<alarm>       while the alarm stands
 *
 * Everything is retained and goes at QoS 1; nothing can be set. Ids of the convention know
 * small letters, digits and dashes: others become dashes, and a second circuit of the same id
 * gets "-2". What the broker still retains of an earlier configuration is cleared.
 *
 * The version of the description is the second of the start: it grows, also when nothing
 * changed. Source: Homie Convention 5 (github.com/homieiot/convention).
 *
 * Ownership  homie_start .. homie_stop; borrows site and bulletin
 * Threads    homie_tell from any
 */
#ifndef FORETRIP_HOMIE_H
#define FORETRIP_HOMIE_H

#include "convention.h"

struct homie;

/* NULL when memory is short. */
struct homie *homie_start(const struct convention_options *o);
void homie_stop(struct homie *h); /* accepts NULL */

/* Something changed; alarms: among what stands. */
void homie_tell(struct homie *h, bool alarms);

bool homie_connected(struct homie *h);
const struct pulse *homie_pulse(const struct homie *h); /* its thread's */

#endif
