/*
 * batch - what waits to be written: statements with their values, in order.
 *
 * An entry is a prepared statement's number and copies of the values to bind, so that writing a
 * batch, and writing it again after a failure, is one loop. When the disk cannot be written the
 * batch grows to its bound; batch_shed then drops the least worth first, oldest first.
 *
 * Ownership  entries belong to the batch; batch_clear frees them
 */
#ifndef FORETRIP_STORE_BATCH_H
#define FORETRIP_STORE_BATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum value_type { VALUE_NULL, VALUE_INT, VALUE_REAL, VALUE_TEXT, VALUE_BLOB };

struct value {
    enum value_type type;
    size_t length; /* text, blob */
    union {
        int64_t integer;
        double real;
        const void *bytes;
    };
};

struct value value_null(void);
struct value value_int(int64_t v);
struct value value_real(double v);
struct value value_text(const char *s); /* NULL and "" alike become NULL */
struct value value_blob(const void *bytes, size_t length);

/* In the order of dropping. */
enum batch_worth { WORTH_READINGS, WORTH_LOADS, WORTH_RECORD };
#define BATCH_WORTHS 3

struct entry_kind {
    int statement;
    enum batch_worth worth;
    bool follows;    /* means nothing without the entry before it, and is dropped with it */
    uint32_t weight; /* what it counts for when it is dropped */
};

struct entry {
    struct entry *next;
    struct entry_kind kind;
    bool told; /* for the owner's use */
    size_t bytes;
    size_t count;
    struct value values[];
};

struct batch {
    struct entry *first, *last;
    size_t count;
    size_t bytes;
};

/* Copies the values; false when memory is short. */
bool batch_add(struct batch *b, struct entry_kind kind, const struct value *values,
               size_t count);

/* Removes the entries of the statement whose first value is this text. */
void batch_remove(struct batch *b, int statement, const char *key);

/* Drops entries until at most most_bytes are held; dropped[worth] adds up
 * their weights. */
void batch_shed(struct batch *b, size_t most_bytes, uint64_t dropped[BATCH_WORTHS]);

void batch_clear(struct batch *b);

#endif
