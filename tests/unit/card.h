/*
 * card - a memory card for tests: SQLite's own file system with power that can be cut and a
 * size that can be small.
 *
 * What SQLite writes goes to the real files, where readers of the same process see it, and into
 * a list; only a sync makes it part of what the card holds. When the power is cut nothing can
 * be written any more, and when it is back the files are what was synced, plus whatever the
 * card happened to have got to: nothing more, the first of the other writes, or any of their
 * sectors.
 *
 * There is one card a process. Files are watched from their first opening through it.
 */
#ifndef FORETRIP_TEST_CARD_H
#define FORETRIP_TEST_CARD_H

#include <stdbool.h>
#include <stdint.h>

/* The card becomes what SQLite opens files on; and ends to be, forgetting everything. */
void card_insert(void);
void card_remove(void);

/* From now on its files, and what the store holds in reserve beside them, may grow by so many
 * bytes together. */
void card_fill(int64_t spare);

/* After so many more writes, syncs, truncations and deletions the power is gone. */
void card_cut_after(int64_t operations);
bool card_is_dead(void);

/* Every connection must be closed. The files are as the cut left them. */
void card_power_on(unsigned seed);

/* Bytes written and syncs since the card was inserted. */
int64_t card_written(void);
int64_t card_syncs(void);

#endif
