/*
 * people_parts - the insides of people.h, for its own two files.
 */
#ifndef FORETRIP_PEOPLE_PARTS_H
#define FORETRIP_PEOPLE_PARTS_H

#include "people.h"
#include "wording.h"

#define PEOPLE_NEVER INT64_MAX

struct known { /* news of an alarm, in a list */
    struct known *next;
    struct news news;
};

struct telling { /* of one alarm to one person */
    struct telling *next;
    int person;
    struct known *about;
    int64_t due_wall_ms; /* PEOPLE_NEVER: waits for the end */
    int told;
    enum wording_why why;
};

struct reader {                                 /* what is kept of a person */
    int64_t sent_wall_ms[PEOPLE_FLOOD_LETTERS]; /* the newest letters, a ring */
    size_t sent_at;
    int64_t summary_wall_ms;        /* when the next is due; 0: not known yet */
    uint32_t raised, urgent, trips; /* since the last summary */
};

struct people {
    const struct delivery *delivery;
    const struct phrases *phrases;
    const struct site *site;
    struct store *store;
    struct known *known;
    struct telling *tellings;
    struct reader readers[DELIVERY_MAX_PEOPLE];
    bool changed;
    uint64_t letters;
};

struct known *people_find_known(const struct people *p, const char *alarm);
/* NULL when memory is short. */
struct known *people_add_known(struct people *p, const char *alarm);
/* At the end of the list. */
struct telling *people_add_telling(struct people *p, int person, struct known *k,
                                   int64_t due_wall_ms, enum wording_why why);

#endif
