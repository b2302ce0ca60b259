/*
 * keeper - the history's housekeeping: closes hours, packs days, keeps summaries, lets old
 * things go.
 *
 *     tail --(the hour is over)--> hours --(the day is over)--> days --(a year)--> frozen
 *                  |
 *                  +--> summaries: minutes, quarters, the hour, the day so far
 *
 * Runs in the writer's transaction, along with writes that happen anyway and in small steps, so
 * that a crash leaves either the earlier form or the later one and never neither. Late
 * readings, of an hour that is closed already, are merged into it and its summaries made anew.
 * A piece that does not decode is said, and dropped: nobody can read it.
 *
 * Ownership  keeper_open .. keeper_close; borrows the connection
 */
#ifndef FORETRIP_STORE_KEEPER_H
#define FORETRIP_STORE_KEEPER_H

#include "shelf.h"

/* An hour is closed this long after its end. */
#define KEEPER_GRACE_MS INT64_C(15000)
/* Of a trip's circuit and of the panels' voltages, what is kept when the day's readings go. */
#define KEEPER_FREEZE_BEFORE_MS (INT64_C(30) * 60 * 1000)
#define KEEPER_FREEZE_AFTER_MS (INT64_C(10) * 60 * 1000)

struct keeper;

/* NULL when memory is short. */
struct keeper *keeper_open(sqlite3 *db);
void keeper_close(struct keeper *k);

struct keeper_job {
    int64_t wall_ms;                  /* now */
    int64_t readings_before_wall_ms;  /* older days go, one a call; 0: keep all */
    int64_t summaries_before_wall_ms; /* 0: keep all */
    int64_t pages_most;               /* above it the oldest readings go; 0: no bound */
    bool make_room; /* the disk is full: the oldest readings go first of all */
};

struct keeper_done {
    int hours, days;     /* closed, packed */
    int64_t dropped_day; /* a day whose readings went to make room, 0 for none */
    bool dropped;
};

/* One step of whatever is due, within the transaction that is open. SQLITE_OK or an error,
 * after which the transaction must be undone. */
int keeper_work(struct keeper *k, const struct keeper_job *job, struct keeper_done *done);

/* For a batch that found the disk full: until some pages of the file are free, the oldest
 * readings go, at most so many days (then hours, then blocks of the tail). */
int keeper_make_room(struct keeper *k, int days_most, struct keeper_done *done);

/* Closes and packs everything that has an end before the time, however much: for a recording
 * that is over, and for tests. */
int keeper_finish(struct keeper *k, int64_t wall_ms);

#endif
