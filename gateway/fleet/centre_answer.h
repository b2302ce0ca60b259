/*
 * centre_answer - which question gets which answer: the routes of the centre's page.
 *
 *     GET /                          the page, and what it is made of
 *     GET /api/v1/...
 *       portfolio                    who needs somebody; sums; notices; building, most
 *       buildings                    with what stands in each
 *       units                        building, or words; most
 *       units/ID                     one: what stands, trips, orders, consents
 *       units/ID/trip                one opening there, as it was sent; trip
 *       units/ID/sheet               what its gateway says now; trip
 *       trips                        newest first; from, to, building, unit, most
 *       trips/counts                 how many opened in each step, by cause; the same, and step
 *       orders                       work orders; unit, all, most
 *       orders/N                     one, with its history and the sheet that goes with it
 *       contractors                  whom an order can be assigned to
 *       units.csv, trips.csv, alarms.csv, orders.csv      as tables
 *       session, people, audit       who is in, who may come in, who did what
 *       openapi.json                 all of this for programs
 *     POST /api/v1/...
 *       units/ID/place               name, building, place
 *       units/ID/consent             tenant, how, until
 *       units/ID/revoke              what the tenant had consented to
 *       orders                       unit, title, circuit, trip, alarm, note, due
 *       orders/N/assign              contractor, until, note
 *       orders/N/done, cancel, reopen, note     note
 *       orders/N/attach              the unit's sheet, as its gateway has it now
 *       session, session/choose, session/password, session/end
 *       people/ID/invite, people/ID/end     (web/door.h)
 *
 * Reads the centre's store and writes what is decided on the page into it; the gateways are
 * asked by whoever sends the answer (WEB_ASK, centre.h). Each route is an act that the role may
 * do (centre_role.h); a contractor's units and orders are looked at one by one.
 *
 * Threads    one at a time per database connection
 */
#ifndef FORETRIP_FLEET_CENTRE_ANSWER_H
#define FORETRIP_FLEET_CENTRE_ANSWER_H

#include "sql.h"

#include "model/delivery.h"
#include "web/request.h"

struct centre_context {
    const struct delivery *people;
    struct access *access; /* NULL: nobody is asked who they are, all are administrators */
};

/* Always fills *out, which the caller has zeroed. sql NULL: the store is away. SQL_ERR_AWAY:
 * the connection is of no more use. */
enum sql_err centre_answer_request(const struct centre_context *x, struct sql *sql,
                                   const struct web_request *r, int64_t wall_ms,
                                   struct web_answer *out);

#endif
