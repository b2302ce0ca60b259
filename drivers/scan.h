/*
 * scan - which units answer on a bus, and at which speed and parity a serial line speaks.
 *
 * Each unit is asked for one holding register, with a short timeout. Any answer of that unit
 * counts, a refusal too (APP V1.1b3, 7: a server that is there says so); a gateway's exceptions
 * 10 and 11 say that nobody is behind it. A meter on the network that answers in the name of
 * every unit is found once, as the first one asked.
 *
 * A serial line is tried as it is configured first, then at the other usual settings, until
 * something answers.
 *
 * Blocks; one thread. Nothing is written to a meter.
 */
#ifndef FORETRIP_SCAN_H
#define FORETRIP_SCAN_H

#include "fault.h"
#include "model/site.h"

#define SCAN_TIMEOUT_MS 120
#define SCAN_MOST_UNITS 256

struct scan_options {
    struct site_bus bus;
    int first_unit, last_unit;
    bool other_settings; /* of a serial line */
    /* told before each setting is tried and for each unit found; may be NULL */
    void (*say)(void *context, const char *sentence);
    void *context;
};

struct scan_result {
    struct site_bus bus; /* with the speed, parity and stop bits at which something answered */
    int units[SCAN_MOST_UNITS];
    int unit_count;
    bool any_unit; /* it answers to every unit alike */
    int spoilt;    /* answers that were damaged: the setting is wrong, or the line is bad */
};

/* False, with a sentence in why, when the bus cannot be opened. No unit found is no failure. */
bool scan_bus(const struct scan_options *o, struct scan_result *out, char *why,
              size_t capacity);

#endif
