/*
 * filer - the thread that files: while the database works on one pile, the next is gathered.
 *
 * It has one pile at a time. While the store is away the pile stays here and is tried again,
 * ever more slowly; what the store refuses for good is left out, said once and counted. Between
 * piles, and at most a twentieth of the time, it tends what stands in the store: notices
 * begin and end, and gaps in the sites' streams are brought up, which the giver is to ask for.
 *
 * Ownership  filer_create .. filer_destroy; a pile that was given is the filer's until it
 *            comes back from filer_take_back
 * Threads    one of its own; the calls are one other thread's
 * Cost       of a call: a lock
 */
#ifndef FORETRIP_FLEET_FILER_H
#define FORETRIP_FLEET_FILER_H

#include "ages.h"
#include "ledger.h"

#include "base/pulse.h"

#define PILE_ITEMS 4000
#define FILER_GAPS 100 /* brought up, a second */

struct pile_item {
    char site[SITE_ID_SIZE];
    struct parcel *parcel; /* malloc'ed; NULL: a state of the line */
    bool online;
};

struct pile {
    struct pile_item items[PILE_ITEMS];
    size_t count, records;
    uint64_t tag;          /* the newest of them; the giver's */
    int64_t first_mono_ms; /* when the oldest came; the giver's */
};

/* The items' parcels are freed, and it is empty. The tag stays. */
void pile_clear(struct pile *b);

struct filer;

struct filer_counts {
    struct ledger_taken taken;
    uint64_t transactions;
    uint64_t refused; /* parcels that the store refuses */
    struct ages ages; /* from what happened to its being in the store, since the start */
    bool store_up;
};

/* Opens the store by itself, now or later. NULL when memory or threads are short. */
struct filer *filer_create(const struct ledger_options *o);

/* Accepts NULL. Ends when what was given is filed, or cannot be at the moment. */
void filer_destroy(struct filer *f);

/* b is not empty. False while it has another, or one that was not taken back. */
bool filer_give(struct filer *f, struct pile *b);

/* The pile that was given, when it is in the store; NULL: none. */
struct pile *filer_take_back(struct filer *f);

/* Until there is one to take back or the store is away, at most so long. */
void filer_wait(struct filer *f, int timeout_ms);

/* Whether there is a line to ask the sites over: gaps are brought up only then. */
void filer_note_line(struct filer *f, bool up);

/* Gaps that are to be asked for, as ledger.h hands them on; each is brought up once. */
void filer_take_gaps(struct filer *f, ledger_gap_fn *fn, void *context);

/* Stuck, for the watchdog, when the database does not answer for minutes. */
const struct pulse *filer_pulse(const struct filer *f);

bool filer_store_up(struct filer *f);
void filer_get_counts(struct filer *f, struct filer_counts *out);

#endif
