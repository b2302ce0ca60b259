/*
 * loads_sheet - what was on, as the sheet of a trip tells it: one appliance in several runs is
 * one, two that began at once are two.
 *
 * Runs are told as they begin, each by its size. Whoever is told afterwards what was on wants
 * appliances, and by then more is known. In this order:
 *
 *     two at once      a load larger than the breaker's rating, of a size never seen, which is
 *                      the sum of two that are known: these two
 *     one and another  a load that began in two stages seconds apart, both of them large, whose
 *                      sum is no load of this circuit: two that were switched on one after the
 *                      other
 *     begun together   two or three that began in one step, whose sum is a load of this
 *                      circuit, and not each of them is one by itself: a dishwasher's elements
 *     gave way         a load that is smaller than it was, and what is small, has begun since,
 *                      is no load of its own and not much more than that: a washing machine's
 *                      drum, which turns to and fro beside its element; a hair dryer set lower
 *     turned up        what came on at once beside a heater, has not changed since, is far
 *                      smaller and no load of this circuit: the heater was turned up; of two
 *                      heaters the one that has been on for longer
 *     unexplained      what no run explains of the current, is more than ever stays on there
 *                      and too large to be a refrigerator lost: part of what began last
 *
 * The sum stays what it was. What is put together has the name and the beginning of its largest
 * part, and is essential when one of its parts is.
 *
 * Units, ownership, threads  as loads.h
 * Source      the sizes and times: set on made houses (docs/method/trips.md)
 */
#ifndef FORETRIP_LOADS_SHEET_H
#define FORETRIP_LOADS_SHEET_H

#include "loads.h"

/* As loads_running. */
size_t loads_sheet(const struct loads *l, int circuit,
                   struct event_load out[LOADS_MAX_RUNNING]);

#endif
