/*
 * house_hands - what people do in a simulated house while it runs: lines of a file or a FIFO.
 *
 *     handle_off main-07
 *     unplug bath-heater
 *     on bath-heater 600
 *     outage 30
 *
 * An act of a script (house_act_name), what it is done to, and for how many seconds. A file is
 * read to its end and then on as lines are appended to it. A line that cannot be understood is
 * said in the log and passed over.
 *
 * Ownership  open .. close; borrows site, spec and log
 */
#ifndef FORETRIP_SIMULATED_HOUSE_HANDS_H
#define FORETRIP_SIMULATED_HOUSE_HANDS_H

#include "house.h"

#include <stdio.h>

#define HOUSE_HANDS_LINE 256

struct house_hands;

/* NULL, having said why on standard error. */
struct house_hands *house_hands_open(const char *path, const struct site *site,
                                     const struct house_spec *spec, FILE *log);
void house_hands_close(struct house_hands *h); /* accepts NULL */

/* Does what has been written since. Accepts NULL. */
void house_hands_turn(struct house_hands *hands, struct house *house);

/* One line; false with a sentence in why. An empty line is an act of nobody: also false, and
 * why is "". */
bool house_hands_parse(const struct site *site, const struct house_spec *spec, const char *line,
                       struct house_script *out, char why[HOUSE_HANDS_LINE]);

#endif
