/*
 * chart - one circuit over a span, as the JSON that the page and MQTT give.
 *
 *     {"circuit":"main-07","quantity":"amps","from":1766000000.000,"to":1766003600.000,"points":60,
 *      "least":[..],"mean":[..],"most":[..],"seconds":[..]}
 *
 * Each list has `points` numbers, null where nothing was read; seconds: with readings, of each
 * point. Poles together: watts add up; of amps, volts and power factor the hotter, or higher,
 * pole counts.
 */
#ifndef FORETRIP_STORE_CHART_H
#define FORETRIP_STORE_CHART_H

#include "history.h"

#include "base/text.h"

#define CHART_MOST_POINTS 2000
#define CHART_MOST_SPAN_MS (INT64_C(3660) * 86400000)
#define CHART_COLUMN_SIZE ((size_t)2 * SITE_ID_SIZE)

struct chart {
    int circuit;
    enum frame_quantity quantity; /* not FRAME_PANEL_VOLTS */
    int pole;                     /* 0-based; -1: all together */
    int64_t from_wall_ms, to_wall_ms;
    int64_t points; /* at most CHART_MOST_POINTS */
};

/* "amps", "watts", "volts", "pf"; false when the word is none of them. */
bool chart_quantity(const char *word, enum frame_quantity *out);

/* A sentence when from is not before to or the span is too long, else NULL; points come down
 * where they would be finer than a second. */
const char *chart_settle(struct chart *c);

/* The column that a pole of the chart's circuit has in the record. */
void chart_column(const struct site *s, const struct chart *c, int pole,
                  char out[CHART_COLUMN_SIZE]);

/* Appends the object. STORE_ERR_MEMORY, or why the record cannot be read, with nothing
 * appended. */
enum store_err chart_write(const struct chart *c, const struct site *s, struct store_reader *r,
                           struct text *out);

/* Appends a number rounded to thousandths, null for NaN. */
void chart_number(struct text *out, double v);

#endif
