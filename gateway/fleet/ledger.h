/*
 * ledger - what the sites sent, filed: the writing side of the centre's store.
 *
 * Parcels of many sites go in together, in one transaction, each record once: of every site the
 * ledger knows which numbers of its stream are here (`have`, less the gaps), and a record whose
 * number is here already is passed over. So deliveries may repeat, come in any order and to any
 * of several collectors at once: the rows of the sites concerned are locked while it is
 * decided. A number that is skipped becomes a gap, which is asked for at the site until it is
 * filled.
 *
 * Ownership  ledger_open .. ledger_close; parcels are borrowed for the call
 * Threads    one thread at a time per ledger; any number of ledgers on one PostgreSQL database
 * Errors     after any but SQL_FINE nothing of the call is in the store; the same call later is
 *            right. ledger_why has a sentence
 * Cost       some seven round trips a call, whatever the number of records
 */
#ifndef FORETRIP_FLEET_LEDGER_H
#define FORETRIP_FLEET_LEDGER_H

#include "parcel.h"
#include "sql.h"

struct ledger;

struct ledger_options {
    const char *where; /* sql_open */
    bool known_only;   /* sites that nobody has added are passed over, not added */
};

/* Opens, and takes the schema to its newest version. NULL with a sentence in why. */
struct ledger *ledger_open(const struct ledger_options *o, char why[SQL_WHY_SIZE]);
void ledger_close(struct ledger *l); /* accepts NULL */

/* What came of one site: a parcel, or that its line is up or down. */
struct ledger_item {
    const char *site;
    const struct parcel *parcel; /* NULL: a state of the line */
    bool online;
};

struct ledger_taken {
    uint64_t records; /* new ones */
    uint64_t repeated;
    uint64_t unknown; /* items of sites that nobody has added */
    uint64_t gaps;    /* new ones */
};

/* All of it, or nothing. wall_ms is now. Adds to *out. */
enum sql_err ledger_take(struct ledger *l, const struct ledger_item *items, size_t count,
                         int64_t wall_ms, struct ledger_taken *out);

/* Gaps that are older than LEDGER_GAP_MS and not asked for lately, at most most, the longest
 * not asked for first; they count as asked for. */
#define LEDGER_GAP_MS 10000
typedef void ledger_gap_fn(void *context, const char *site, int64_t after, int64_t to);
enum sql_err ledger_take_gaps(struct ledger *l, int64_t wall_ms, size_t most, ledger_gap_fn *fn,
                              void *context);

/* Begins and ends notices (notices.h); about once a second. Of several ledgers on one
 * PostgreSQL database one does it, the others nothing until that one is closed. */
enum sql_err ledger_tend(struct ledger *l, int64_t wall_ms);

const char *ledger_why(const struct ledger *l);

#endif
