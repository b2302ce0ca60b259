/*
 * pile - readings of many channels on their way from one form to another, in the order of time.
 *
 * Rows come in as they were written: a kept piece (an hour, a day), then blocks of the tail.
 * Late rows, after a clock was set back or from an import, find their place when the pile is
 * sorted; rows of the same moment stay in the order in which they came.
 *
 * Ownership  pile_init .. pile_free
 */
#ifndef FORETRIP_STORE_PILE_H
#define FORETRIP_STORE_PILE_H

#include "pack.h"

struct pile_column {
    int64_t channel;
    int32_t *values; /* one a row once pile_sort has been called */
    size_t filled;
};

struct pile {
    int64_t *times;
    size_t rows, room;
    struct pile_column *columns;
    size_t count;
    bool failed; /* memory was short: nothing in it is to be used */
};

void pile_init(struct pile *p);
void pile_free(struct pile *p);

/* Rows at the end, without values yet; returns the index of the first. */
size_t pile_add_rows(struct pile *p, const int64_t *times, size_t n);

/* Values of a channel for the n rows from `row` on, every stride-th of values. A channel that
 * has nothing but PACK_NOTHING gets no column. Rows are given in order. */
void pile_set(struct pile *p, int64_t channel, size_t row, const int32_t *values, size_t n,
              size_t stride);

/* Every column to its full length, everything in the order of time. */
void pile_sort(struct pile *p);

#endif
