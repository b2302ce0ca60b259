/*
 * retention - how long the record keeps what, as record.cfg says.
 *
 * Trips with what was frozen of their readings, alarms and other events than loads are kept
 * for ever; a trip that was withdrawn, and that no person wrote or corrected anything at and no
 * call was about, goes with the loads, whose end it was. Above the size, or below the free
 * space, the oldest readings go first and nothing else does.
 */
#ifndef FORETRIP_RETENTION_H
#define FORETRIP_RETENTION_H

#include "site.h"

struct retention {
    int readings_days;  /* every second */
    int summaries_days; /* minutes, quarters, hours, days */
    int loads_days;     /* that a load came or went, and withdrawn trips */
    double size_mb;     /* of the database, MiB; 0: no bound */
    double free_mb;     /* on its disk, MiB; 0: no floor */
};

struct retention retention_defaults(void);

#endif
