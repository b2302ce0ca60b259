/*
 * people_parts - the insides of people.h, for its own files.
 */
#ifndef FORETRIP_PEOPLE_PARTS_H
#define FORETRIP_PEOPLE_PARTS_H

#include "people.h"
#include "wording.h"

#define PEOPLE_NEVER INT64_MAX
#define DAY_MINUTES 1440
#define MINUTE_MS INT64_C(60000)
#define HOUR_MS (60 * MINUTE_MS)

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
    int64_t ticked_wall_ms; /* when people_tick was called last */
    uint64_t letters;
};

struct known *people_find_known(const struct people *p, const char *alarm);
/* NULL when memory is short. */
struct known *people_add_known(struct people *p, const char *alarm);
/* At the end of the list. */
struct telling *people_add_telling(struct people *p, int person, struct known *k,
                                   int64_t due_wall_ms, enum wording_why why);

/* Unacknowledged or acknowledged. */
bool people_stands(const struct news *n);

/* Into the outbox, once for each way of the person; takes the letter, which expires after so
 * long. A letter that is NULL (memory is short) stays due. */
void people_post(struct people *p, int person, json_t *letter, int64_t wall_ms,
                 int64_t lives_ms);

/* Writes the person's summary when it is due. */
void people_summary_tick(struct people *p, int person, int64_t wall_ms,
                         int32_t utc_offset_seconds);

#endif
