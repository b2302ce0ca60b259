/*
 * advice_record - the record as analysis/advice.h wants it: runs, trips and warnings out of the
 * events, readings by the second.
 *
 * Ownership  open .. close; borrows all it is given
 */
#ifndef FORETRIP_STORE_ADVICE_RECORD_H
#define FORETRIP_STORE_ADVICE_RECORD_H

#include "history.h"

#include "analysis/advice.h"

struct advice_store;

/* NULL with *err set. */
struct advice_store *advice_store_open(const struct site *s, const struct rules_set *rules,
                                       const struct signature_set *signatures,
                                       struct store_reader *r, int64_t from_wall_ms,
                                       int64_t to_wall_ms, enum store_err *err);
void advice_store_close(struct advice_store *a);

const struct advice_record *advice_store_record(const struct advice_store *a);

/* Why advice_find gave up, STORE_OK: memory was short. */
enum store_err advice_store_problem(const struct advice_store *a);

#endif
