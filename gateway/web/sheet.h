/*
 * sheet - a unit's sheet, in one answer: what is installed, how every circuit stands, what is
 * standing, the newest trips, open service calls, and, of one trip, all that was said of it.
 *
 * For whoever is not at the page: a centre asks for it over MQTT (docs/mqtt.md, `sheet`). The
 * parts are those of the page's interface (answer.h: site, circuits, alarms, trips, trips/ID,
 * calls), by the same functions.
 *
 * Threads    as the reader's
 */
#ifndef FORETRIP_WEB_SHEET_H
#define FORETRIP_WEB_SHEET_H

#include "base/text.h"
#include "model/site.h"
#include "store/reader.h"

#define SHEET_TRIPS "20"
#define SHEET_CALLS "5"
#define SHEET_MOST_BYTES ((size_t)512 * 1024)
#define SHEET_WHY_SIZE 200

struct sheet {
    const struct site *site;
    struct store_reader *reader;
    const char *states; /* of all circuits, "{..},{..}", as engine_json.h has them */
    const char *trip;   /* id; "": of none in particular */
    bool discreet;      /* without what discreet.h leaves out */
    int64_t wall_ms;    /* now */
};

/* A JSON object into *out, which the caller has zeroed. False with a sentence in why. */
bool sheet_write(const struct sheet *s, struct text *out, char why[SHEET_WHY_SIZE]);

#endif
