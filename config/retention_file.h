/*
 * retention_file - record.cfg: how long what is kept.
 *
 *     keep = { readings_days = 366; summaries_days = 3653; free_mb = 64; };
 */
#ifndef FORETRIP_CONFIG_RETENTION_FILE_H
#define FORETRIP_CONFIG_RETENTION_FILE_H

#include "config/fields.h"

enum { KEEP_READINGS, KEEP_SUMMARIES, KEEP_LOADS, KEEP_SIZE, KEEP_FREE, KEEP_KEYS };

/* *r is at its defaults, or as the file says. */
void retention_file_read(struct retention *r, const struct config_file *file);

/* The table, for the manual. */
extern const struct field keep_fields[KEEP_KEYS];

#endif
