/*
 * fleet_schema - the centre's tables, the same in both databases, taken through its steps.
 *
 * A step is never changed once landed; a new one is added behind it. `{key}` is a number that
 * the database gives by itself; `{filed}` after a table of records makes PostgreSQL part it by
 * the site's hash and the month.
 *
 *   sites    one a unit: what it is called, how far its stream is here, how it is
 *   gaps     numbers of a stream that are not here yet: above after, up to upto
 *   records  every record that came, by site, time and number; with its text as sent
 *   trips    each opening, with what became of it
 *   alarms   the newest state of each alarm of each site; `normal` ones stay, so that a record
 *            that comes late does not raise them again
 *   notices  what a person is told: one of many alarms where they are one story
 *   orders   work orders, and in order_steps what was done with each
 *   consents what tenants allowed managers to see, and took back
 *   page_state, audit   of the page: who may log in; who did what
 *   codes, certificates   which units were let in (enrolment.h)
 *   runs     of a unit's gateway, by what it says of itself (copies.h)
 */
#ifndef FORETRIP_FLEET_SCHEMA_H
#define FORETRIP_FLEET_SCHEMA_H

#include "sql.h"

int fleet_schema_version(void);

/* To the newest version; SQL_ERR_FAULT with a sentence in sql_why when the database is of a
 * later foretrip. Several may call it at once. */
enum sql_err fleet_schema_migrate(struct sql *s);

/* PostgreSQL: the parts of `records` for that month exist. Not inside a transaction. */
#define FLEET_HASHES 8
enum sql_err fleet_schema_month(struct sql *s, int year, int month);

#endif
