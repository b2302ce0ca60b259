/*
 * office - people of a delivery.cfg who are told of alarms, with the clock in the test's hand.
 */
#ifndef FORETRIP_TEST_OFFICE_H
#define FORETRIP_TEST_OFFICE_H

#include "record.h"

#include "config/reader.h"
#include "notify/people.h"

#define KIM "id = \"kim\"; name = \"Kim\"; mail = \"kim@example.net\"; "
#define NOON INT64_C(1800014400000) /* 2027-01-15T12:00:00Z, a Friday */
#define MINUTE INT64_C(60000)
#define HOUR (60 * MINUTE)

struct office {
    struct config config;
    struct record record;
    struct people *people;
    int64_t now;
    int32_t offset;    /* of the site's clock from UTC, seconds */
    const char *by;    /* who does what is done next; NULL: nobody */
    int64_t read;      /* letters up to here were taken by `taken` */
    struct text taken; /* "topic: subject\n" of the letters of the last call */
    char last[4096];   /* payload of the newest */
};

/* The site.cfg of the house whose people they are. */
extern const char office_site[];

/* Opens one whose delivery.cfg has these people. */
void open_office(struct office *o, const char *people);
void close_office(struct office *o);

/* The alarm of a circuit (-1: the site) comes to a state. */
void alarm_is_by(struct office *o, int circuit, enum alarm_kind kind,
                 enum alarm_priority priority, enum alarm_state state, bool alert,
                 const char *taken_by);
void alarm_is(struct office *o, int circuit, enum alarm_kind kind, enum alarm_priority priority,
              enum alarm_state state);

/* After so long: "topic: subject\n" of each new letter. */
const char *after(struct office *o, int64_t ms);

#define RAISE(o, circuit, kind, priority)                                                      \
    alarm_is(o, circuit, kind, priority, ALARM_UNACKNOWLEDGED)

#endif
