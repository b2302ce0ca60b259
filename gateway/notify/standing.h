/*
 * standing - are the broker's retained alarms and trips those of the record?
 *
 * A broker that lost its memory has too few of them, one that we could not reach when a record
 * was replaced has too many. After each connect the retained topics that come in are noted;
 * when they have all come, what is missing is published again and what no longer stands is
 * cleared.
 *
 * Plain data and the reader; publishing is the caller's callback.
 */
#ifndef FORETRIP_STANDING_H
#define FORETRIP_STANDING_H

#include "store/reader.h"

#define STANDING_MOST 8192 /* topics noted; beyond that the rest is left alone */

struct standing {
    char **topics; /* retained on the broker, sorted when compared */
    size_t count, capacity;
};

/* Notes a retained topic; a second time does nothing. */
void standing_note(struct standing *s, const char *topic);
void standing_free(struct standing *s);

/* payload NULL: to be cleared. False ends the comparison. */
typedef bool standing_send(void *context, const char *topic, const char *payload);

/* Sends what differs. own is "foretrip/<site>/". */
enum store_err standing_compare(struct standing *s, struct store_reader *r, const char *own,
                                standing_send *send, void *context);

#endif
