/*
 * centre_record - what the page keeps in the centre's store: who may log in, who did what.
 *
 * Who may log in is one state (web/access.h), kept whole whenever it changes, as hexadecimal
 * text: both databases have that. One process serves a centre's page at a time; two would
 * forget each other's logins.
 *
 * Threads    as sql.h
 */
#ifndef FORETRIP_FLEET_CENTRE_RECORD_H
#define FORETRIP_FLEET_CENTRE_RECORD_H

#include "sql.h"

#include "store/store.h"
#include "web/access.h"

#define CENTRE_AUDIT_MOST 20000 /* rows of the log; the oldest go */

/* What is kept, into a fresh one; *good false: it was damaged, and nobody has a password. */
enum sql_err centre_record_load(struct sql *s, struct access *a, bool *good);
enum sql_err centre_record_save(struct sql *s, struct access *a);

enum sql_err centre_record_note(struct sql *s, const struct store_audit *said);
/* The newest first, numbers below before (0: no limit), at most most. */
typedef bool centre_audit_fn(void *context, int64_t audit, const struct store_audit *said);
enum sql_err centre_record_read(struct sql *s, int64_t before, size_t most, centre_audit_fn *fn,
                                void *context);

#endif
