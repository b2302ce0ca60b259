/*
 * site_day - a day of a site by its own clock in a few numbers, out of the record: for a centre
 * of many sites, which hears of no readings.
 *
 * Energy and demand are those of the circuits that feed no panel, and of feeders behind which
 * nothing is measured: nothing is counted twice. Where a circuit's meter gives no watts they
 * are its amps at the nominal voltage. The demand is the highest sum of their means over a
 * quarter of an hour of the clock. No time of the day is told: when somebody cooks is theirs.
 */
#ifndef FORETRIP_STORE_SITE_DAY_H
#define FORETRIP_STORE_SITE_DAY_H

#include "reader.h"

#include "model/event.h"

/* The local date (days since 1970-01-01) of the moment. */
int64_t site_day_of(const struct site *s, int64_t wall_ms);

/* Looks at the day before that moment's. Time without readings adds nothing and is told. */
enum store_err site_day_before(const struct site *s, struct store_reader *r, int64_t wall_ms,
                               struct event_site_day *out);

#endif
