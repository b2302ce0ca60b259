/*
 * directory - the panel directory: what each position serves, clearly enough to tell it from
 * all others, and what does not agree.
 *
 * NEC 408.4(A): every circuit is identified as to its clear, evident and specific purpose, in
 * enough detail to be told from all others; spare positions are described; nothing depends on
 * who lives there now. The lines come from what people entered (else the name in site.cfg), the
 * places traced or entered, and the loads learned on the circuit; what would not pass, and what
 * contradicts itself, stands among the remarks. Positions without a breaker are lines too, up
 * to the highest one that is taken.
 *
 * Pure. Ownership  a directory borrows the site and the record; directory_free
 */
#ifndef FORETRIP_ANALYSIS_DIRECTORY_H
#define FORETRIP_ANALYSIS_DIRECTORY_H

#include "model/directory.h"

/* A load that is known on a circuit (loads_known), surely enough to be named. */
struct directory_load {
    int circuit;
    char words[DIRECTORY_WORDS_SIZE];
    bool named;         /* by a person */
    double probability; /* of the appliance; 1 for a name */
};
#define DIRECTORY_LOAD_SURE 0.8 /* below it a load is not told */
#define DIRECTORY_LOADS 6       /* of a circuit, that are told */

enum directory_state {
    DIRECTORY_IN_USE,
    DIRECTORY_SPARE, /* a breaker that serves nothing: its purpose says so */
    DIRECTORY_SPACE, /* no breaker */
};

struct directory_line {
    int panel;
    int circuit; /* -1: space */
    char position[16];
    int place; /* its first number on the door, for the order; 0 when it has none */
    enum directory_state state;
    const char *purpose; /* "" when there is none */
    bool entered;        /* the purpose, by a person; else it is site.cfg's name */
};

enum directory_remark_kind {
    REMARK_PLACE_ON_TWO,    /* one place, two circuits */
    REMARK_ENTERED_AGAINST, /* entered on one circuit, traced on another */
    REMARK_PURPOSE_AGAINST, /* the purpose names a place that was traced elsewhere */
    REMARK_LOAD_AGAINST,    /* the purpose names a load that was seen elsewhere */
    REMARK_UNMETERED,       /* a place on none of the metered circuits */
    REMARK_UNIDENTIFIED,    /* no purpose and no place */
    REMARK_NOT_SPECIFIC,    /* "lights", "outlets": 408.4(A) wants more */
    REMARK_ALIKE,           /* two positions of a panel with the same purpose */
    REMARK_CIRCUIT_GONE,    /* a place on a circuit that site.cfg has no more */
};

struct directory_remark {
    enum directory_remark_kind kind;
    int panel;       /* that it belongs to; -1: not known */
    int circuits[2]; /* -1: none */
    char subject[DIRECTORY_WORDS_SIZE + DIRECTORY_PART_SIZE + 8]; /* place, or load */
};

struct directory {
    const struct site *site;
    const struct directory_record *record;
    struct directory_line *lines; /* by panel, then by place on the door */
    size_t line_count;
    struct directory_remark *remarks; /* what contradicts first */
    size_t remark_count;
};

/* False: memory is short; then *out is empty. */
bool directory_build(const struct site *s, const struct directory_record *r,
                     const struct directory_load *loads, size_t load_count,
                     struct directory *out);
void directory_free(struct directory *d);

/* "place_on_two" ... */
const char *directory_remark_name(enum directory_remark_kind k);
/* The remark as a sentence in English. Returns out. */
char *directory_say_remark(const struct directory *d, const struct directory_remark *r,
                           char *out, size_t capacity);
const char *directory_state_name(enum directory_state s);

/* True when it is what contradicts, not only what is missing or unclear. */
bool directory_is_conflict(enum directory_remark_kind k);

/* The purpose now of a circuit: entered, else site.cfg's name. Borrowed from either. */
const char *directory_purpose_of(const struct site *s, const struct directory_record *r,
                                 int circuit, bool *entered);

#endif
