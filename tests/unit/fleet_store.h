/*
 * fleet_store - a centre's store for a test: an embedded one of its own, or, with
 * FORETRIP_FLEET_TEST_DATABASE (postgresql://..), that one, emptied.
 */
#ifndef FORETRIP_TEST_FLEET_STORE_H
#define FORETRIP_TEST_FLEET_STORE_H

#include "fleet/sql.h"

struct fleet_store {
    char path[64];
    const char *where; /* for sql_open */
};

/* Empty, without a schema. */
void fleet_store_make(struct fleet_store *s);
void fleet_store_remove(struct fleet_store *s);

/* Opened, with the schema and what texts put into it; fails the test when it cannot be. */
struct sql *fleet_store_open(const struct fleet_store *s, const char *texts);

/* The first column of the first row, as a number; fails the test when it cannot be had. */
int64_t fleet_store_number(struct sql *s, const char *text);
/* Statements without parameters; fails the test when one is refused. */
void fleet_store_run(struct sql *s, const char *texts);

#endif
