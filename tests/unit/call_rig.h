/*
 * call_rig - a house of four breakers and a shed behind one of them, its service calls, and
 * what a test says and shows to them. A case gets it as its state: call_rig_set_up,
 * call_rig_tear_down.
 */
#ifndef FORETRIP_TEST_CALL_RIG_H
#define FORETRIP_TEST_CALL_RIG_H

#include "check.h"

#include "analysis/calls.h"
#include "model/call.h"

#define CALL_RIG_WALL0 INT64_C(1767225600000) /* 2026-01-01T00:00:00Z */
#define CALL_RIG_STEPS 512
enum { BATH, HALL, KITCHEN, FEEDER, SHED, CALL_RIG_CIRCUITS };

struct call_rig {
    struct site site;
    struct rules_set rules;
    struct alarms *alarms;
    struct calls *calls;
    struct frame *frame;
    float amps[CALL_RIG_CIRCUITS]; /* of every frame that follows */
    int64_t second;
    char id[EVENT_ID_SIZE];                 /* of the call that was begun last */
    struct call last;                       /* as the last event had it */
    struct call_step steps[CALL_RIG_STEPS]; /* note and by are not kept */
    size_t count;
    enum call_as as;
    const char *by, *device;
};

int call_rig_set_up(void **state);
int call_rig_tear_down(void **state);

int64_t call_rig_now(const struct call_rig *r); /* wall */

/* The readings as they stand, for so many seconds. */
void call_rig_feed(struct call_rig *r, int seconds);

/* A trip of a circuit, now. */
void call_rig_trip(struct call_rig *r, int circuit, enum trip_cause cause, double probability,
                   enum trip_stage stage);

enum call_err call_rig_begin(struct call_rig *r, int circuit);
/* What is asked now is answered so. */
enum call_err call_rig_say(struct call_rig *r, enum call_answer answer);
enum call_err call_rig_say_with(struct call_rig *r, enum call_answer answer, const char *note);
enum call_err call_rig_stop(struct call_rig *r, enum call_danger danger);

/* Up to the stage OFF: begun, read, found, the loads off. */
void call_rig_to_off(struct call_rig *r, int circuit);
/* Up to the stage NEXT: begun, read, found, off, on, held. */
void call_rig_put_on(struct call_rig *r, int circuit);

/* Whether a step like that was said. */
bool call_rig_saw(const struct call_rig *r, enum call_sight sight);

/* A new one with what the old one kept. */
void call_rig_restart(struct call_rig *r);

#endif
