/*
 * ledger_rows - what a new record becomes in the tables: itself, and the trip or alarm of which
 * it is the newest word.
 *
 * Records that are filed together and speak of the same trip or alarm are settled first, by
 * their sequence numbers, because one statement may touch a row once only.
 *
 * Units      wall clock in milliseconds
 * Ownership  borrowed for the call
 * Errors     of the database; nothing is undone here, the caller's transaction is
 */
#ifndef FORETRIP_LEDGER_ROWS_H
#define FORETRIP_LEDGER_ROWS_H

#include "parcel.h"
#include "sql.h"

/* a record that is new, and of which site */
struct ledger_row {
    int64_t site;
    const struct parcel_record *record;
    int64_t filed_ms; /* the month it is filed in */
};

enum sql_err ledger_rows_put(struct sql *sql, const struct ledger_row *rows, size_t count);

#endif
