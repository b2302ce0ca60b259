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

/* ---- reading one ---- */

#define CSV_MOST_CELLS 32

struct csv_reader {
    const char *at; /* what is still to be read, terminated; set by the caller */
    int line;       /* that the row just read begins at, from 1 */
    int next_line;
    struct text bytes; /* the row's cells, one after the other, each terminated */
    size_t starts[CSV_MOST_CELLS];
    size_t count;
};

/* The next row; empty lines are passed over. False at the end, or, with a sentence in why, when
 * a quote is not closed or there are too many cells. why is "" otherwise. */
bool csv_read_row(struct csv_reader *r, char *why, size_t why_size);
/* Cell i of it, "" beyond its end; an apostrophe that stands before what would be a formula is
 * taken away again. */
const char *csv_cell(const struct csv_reader *r, size_t i);
void csv_reader_free(struct csv_reader *r);

#endif
