/*
 * day_tell - once a day, some minutes after the site's midnight, the day before as an event
 * (`site_day`), for a centre that hears of no readings.
 *
 * A gateway that was off at midnight tells it when it is back; days before that it passes over.
 */
#ifndef FORETRIP_DAY_TELL_H
#define FORETRIP_DAY_TELL_H

#include "model/event.h"
#include "store/reader.h"

#define DAY_TELL_AFTER_MS INT64_C(300000) /* what was read last is in the record by then */
#define DAY_TELL_LOOK_MS INT64_C(30000)

struct day_tell {
    int64_t looked_mono_ms, told_day; /* 0: not read yet */
};

/* True when it is time, with the event. Cheap when it is not. */
bool day_tell(struct day_tell *d, const struct site *s, struct store *store,
              struct store_reader *r, int64_t wall_ms, int64_t mono_ms, struct event *out);

#endif
