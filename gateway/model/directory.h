/*
 * directory - what people and tracing have said of the circuits: places and purposes.
 *
 * A place is what a person can point at: a receptacle, a light, an appliance that is fastened.
 * It was traced (trace.h) or entered; a place that was traced on two circuits, or of which a
 * person and the tracing say different things, is there once for each. A purpose is what the
 * panel's card says of a position. Every change of either is kept with who made it.
 *
 * Plain data; names are of one line, without control characters and without the semicolon that
 * parts places in a table.
 *
 * Ownership  a record's arrays belong to it: directory_record_free
 */
#ifndef FORETRIP_DIRECTORY_H
#define FORETRIP_DIRECTORY_H

#include "site.h"

#define DIRECTORY_WORDS_SIZE 96
#define DIRECTORY_BY_SIZE 96
#define DIRECTORY_PART_SIZE 16
#define DIRECTORY_MOST 4000 /* places, and purposes */

struct directory_place {
    char name[DIRECTORY_WORDS_SIZE]; /* "Kitchen, left of the sink" */
    char part[DIRECTORY_PART_SIZE];  /* of a split receptacle: "upper", "lower"; else "" */
    char kind[DIRECTORY_PART_SIZE];  /* "receptacle", "switch" */
    char circuit[SITE_ID_SIZE];      /* "": on none that is metered */
    char panel[SITE_ID_SIZE];        /* of the circuit, or where the unmetered one is; "" */
    bool traced;                     /* else entered */
    double probability, amps;        /* traced; NaN otherwise */
    int64_t wall_ms;                 /* of the last change */
    char by[DIRECTORY_BY_SIZE];
};

struct directory_purpose {
    char panel[SITE_ID_SIZE], position[16];
    char words[DIRECTORY_WORDS_SIZE];
    int64_t wall_ms;
    char by[DIRECTORY_BY_SIZE];
};

struct directory_record {
    struct directory_place *places; /* by name */
    size_t place_count;
    struct directory_purpose *purposes;
    size_t purpose_count;
};

void directory_record_free(struct directory_record *r);

/* Room for one more, zeroed; NULL when memory or DIRECTORY_MOST is short. */
struct directory_place *directory_add_place(struct directory_record *r);
struct directory_purpose *directory_add_purpose(struct directory_record *r);

/* NULL, or why the words are none: "" (unless may_be_empty), too long, not plain text. Static
 * storage. */
const char *directory_words_fault(const char *words, bool may_be_empty);

bool directory_part_valid(const char *part); /* "", "upper", "lower" */
bool directory_kind_valid(const char *kind); /* "receptacle", "switch" */

/* The place a person would say: "Kitchen counter (upper half)". Returns out. */
char *directory_say_place(const struct directory_place *p, char *out, size_t capacity);

#endif
