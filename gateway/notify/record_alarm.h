/*
 * record_alarm - what becomes of the record, as an alarm of the site.
 *
 * Three things are told by one alarm, record_at_risk, the worst first: that the record cannot
 * be written (what comes is in memory only), that a damaged or read-only one was set aside, and
 * that readings are given up before their age for want of room. Warnings go on in each case,
 * and the texts say so.
 *
 * The second is over as soon as it is told: it stays on the list until a person acknowledges
 * it. The others return when they are over.
 */
#ifndef FORETRIP_RECORD_ALARM_H
#define FORETRIP_RECORD_ALARM_H

#include "analysis/alarms.h"
#include "store/store.h"

/* How long writing must fail before it is told, and go well before that is over. */
#define RECORD_ALARM_ON_SECONDS 5.0
#define RECORD_ALARM_OFF_SECONDS 600.0

/* Zeroed to begin with; the owner's. */
struct record_alarm {
    int what; /* is so now, since this time */
    int64_t since_mono_ms;
    int told;           /* is what stands */
    uint64_t set_aside; /* databases, as told */
};

/* After every commit. */
void record_alarm_judge(struct record_alarm *r, struct alarms *a,
                        const struct store_status *status, int64_t mono_ms, int64_t wall_ms);

#endif
