/*
 * record - what the verbs that read the record share: which database, which times.
 */
#ifndef FORETRIP_TOOL_RECORD_H
#define FORETRIP_TOOL_RECORD_H

#include "options.h"
#include "verbs.h"

#include "config/reader.h"
#include "store/history.h"

struct record_options {
    const char *config;   /* --config DIR */
    const char *database; /* --database FILE; without it as record_find does */
    const char *from, *to;
};

#define RECORD_PATH_SIZE 4096
#define SERVICE_CONFIG "/etc/foretrip"
#define SERVICE_RECORD "/var/lib/foretrip/foretrip.db"

struct record {
    struct config config;
    struct store_reader *reader;
    int64_t from, to; /* wall ms; to: not included where a span has an end */
    char path[RECORD_PATH_SIZE];
};

/* Rows for the options above; RECORD_OPTIONS of them. */
#define RECORD_OPTIONS 4
void record_option_rows(struct record_options *o, struct option_row rows[RECORD_OPTIONS]);

/* Which file is the record: database (--database), else DIR/foretrip.db; where that is not
 * there and DIR is the service's, the service's. False, having said why, when it cannot be
 * read. */
bool record_find(const char *verb, const char *config, const char *database,
                 char path[RECORD_PATH_SIZE]);

/* EXIT_GOOD, or why not, having said it. Times not given: from the first to the last reading.
 */
enum exit_code record_open(struct record *r, const char *verb, const struct record_options *o);
/* Only the configuration; no record. */
enum exit_code record_open_config(struct record *r, const char *verb,
                                  const struct record_options *o);
void record_close(struct record *r);

/* The moment at which the site's clock shows that, ms since 1970 of that clock. */
int64_t record_from_local(const struct site *s, int64_t local_ms);

/* RFC 3339, Unix seconds, or a date: midnight at the site. */
bool record_time(const struct site *s, const char *text, int64_t *wall_ms);

/* "10s", "15m", "1h", "1d" in ms; 0 when it is not one. */
int64_t record_duration(const char *text);

/* Says what the store's error means for this verb; returns whether it was STORE_OK. */
bool record_ok(const struct record *r, const char *verb, enum store_err err);

#endif
