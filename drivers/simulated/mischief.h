/*
 * mischief - what goes wrong on a bus, on request.
 *
 *     "m1:silence=0.01,delay=0.05/300;*:corrupt=0.001"
 *
 * A meter id (or * for all), a colon, then faults with the share of requests they strike; after
 * a slash the fault's own number: silence       no answer delay/MS      a late answer (default
 * 300 ms) exception/N   exception code N (default 6, busy) unit          the answer of another
 * unit corrupt       a flipped bit: a wrong CRC on a serial line, a wrong length on TCP short
 * the frame breaks off close         the connection is closed instead (TCP; silence on a serial
 * line) dead=AT/S     silent from house second AT for S seconds
 */
#ifndef FORETRIP_SIMULATED_MISCHIEF_H
#define FORETRIP_SIMULATED_MISCHIEF_H

#include "base/text.h"
#include "chance.h"
#include "model/site.h"

enum mischief_kind {
    MISCHIEF_NONE,
    MISCHIEF_SILENCE,
    MISCHIEF_DELAY,
    MISCHIEF_EXCEPTION,
    MISCHIEF_UNIT,
    MISCHIEF_CORRUPT,
    MISCHIEF_SHORT,
    MISCHIEF_CLOSE,
    MISCHIEF_KINDS
};

struct mischief { /* of one meter; zeroed: none */
    double rates[MISCHIEF_KINDS];
    double delay_ms;
    int exception;
    double dead_at, dead_seconds;
};

/* One struct a meter of the site. False: *why holds a sentence. */
bool mischief_parse(const char *spec, const struct site *site, struct mischief *meters,
                    struct text *why);

/* What happens to this request. */
enum mischief_kind mischief_draw(const struct mischief *m, struct chance *c,
                                 double house_seconds);

#endif
