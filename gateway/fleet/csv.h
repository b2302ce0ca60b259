/*
 * csv - a table as comma-separated values for a spreadsheet (RFC 4180).
 *
 * Lines end with CR LF; a cell with a comma, a quote or a line's end is quoted, a quote in it
 * doubled. A text that a spreadsheet would take for a formula (it begins with = + - @, a tab
 * or a carriage return, also after blanks) gets an apostrophe before it: names and notes come
 * from outside, and a table is opened by double click. Numbers are written by the functions
 * for numbers, which may be negative.
 *
 * Pure.
 */
#ifndef FORETRIP_FLEET_CSV_H
#define FORETRIP_FLEET_CSV_H

#include "base/text.h"

#include <stdint.h>

struct csv {
    struct text *out;
    bool begun; /* a cell of this line is there */
};

void csv_words(struct csv *c, const char *s);
void csv_number(struct csv *c, int64_t v);
void csv_real(struct csv *c, double v, int digits); /* NaN: an empty cell */
void csv_time(struct csv *c, int64_t wall_ms);      /* RFC 3339; 0: an empty cell */
void csv_end_line(struct csv *c);

/* A line of names. */
void csv_head(struct csv *c, const char *const *names, size_t count);

#endif
