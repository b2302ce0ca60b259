/*
 * recorded - readings as CSV: a recording read as frames, and frames written as one.
 *
 *     time,main-07.amps,main-07.volts,main.volts_a
 *     2026-01-01T00:00:00Z,0.44,121.9,122.0
 *     2026-01-01T00:00:01Z,0.43,,122.1
 *
 * docs/readings.md is the contract. In short: the first column is `time` (RFC 3339 or Unix
 * seconds with a fraction), every other column is one that frame_find_column knows, an empty
 * cell is "no reading". Lines end with LF or CRLF, blanks around a cell do not count, empty
 * lines are passed over, quotes are refused.
 *
 * A row that is wrong ends the recording there: the rows before it have been delivered, it has
 * not, in no part, and recorded_problem says `file:line: column "x": what`. A number outside of
 * what frame_checked lets through is no mistake of the file but of the meter: it becomes "no
 * reading", as it would live, and is counted. So is a clock that was set back
 * (recorded_time.h).
 *
 * A value is the float nearest to the decimal in the file (cells.h).
 *
 * Ownership  recorded_open/create .. recorded_close; borrows the site
 * Threads    none inside; a reader belongs to one thread at a time (recorded_ahead.h moves one
 *            into a thread of its own)
 * Cost       a few nanoseconds a reading; memory for some windows of text (256 KiB and one of
 *            the longest line, at most RECORDED_MAX_LINE)
 */
#ifndef FORETRIP_RECORDED_H
#define FORETRIP_RECORDED_H

#include "base/text.h"
#include "drivers/cells.h"
#include "model/frame.h"

#define RECORDED_MAX_LINE ((size_t)4 * 1024 * 1024)

struct recorded;

/* Where the bytes come from: up to capacity of them into out; how many, 0 at the end, -1 with
 * errno set when reading fails. */
typedef ptrdiff_t recorded_source(void *context, char *out, size_t capacity);

struct recorded_input {
    const char *name; /* for messages; borrowed until close */
    recorded_source *source;
    void *context;
    const struct cells_way *way; /* NULL: the quickest */
    size_t room; /* bytes held at first; 0: what is quick. Grows with the lines, so a little is
                  * for tests alone */
};

/* Reads the header. NULL when the file cannot be opened or the header is wrong, with a sentence
 * appended to *problem. "-" is standard input. */
struct recorded *recorded_open(const struct site *s, const char *path, struct text *problem);
struct recorded *recorded_create(const struct site *s, const struct recorded_input *input,
                                 struct text *problem);
/* Accepts NULL. */
void recorded_close(struct recorded *r);

/* Fills up to n frames of the site, each one row; returns how many. Fewer than n: the recording
 * is over, or a row was wrong. Columns that the recording does not have are left alone, so the
 * frames start out as frame_create made them and are given to one recording only. */
size_t recorded_read(struct recorded *r, struct frame *const frames[], size_t n);

/* "" while all is well. */
const char *recorded_problem(const struct recorded *r);

struct recorded_counts {
    uint64_t rows;
    uint64_t readings;      /* cells that became a value */
    uint64_t refused;       /* numbers outside the quantity's bounds: no reading */
    char first_refused[96]; /* where: `12: column "main-07.amps"`, "" when none */
    uint64_t set_back;      /* rows whose time was not later than the row's before */
    uint64_t first_set_back_line;
};
void recorded_counts(const struct recorded *r, struct recorded_counts *out);

/* ---- writing ------------------------------------------------------------------------------
 */

/* Columns are frame indices in the order in which they are wanted. The text of a value is the
 * shortest that reads back as the same float; NaN is written as nothing. Time is RFC 3339 in
 * UTC with milliseconds. */
void recorded_write_header(struct text *out, const struct site *s, const size_t *columns,
                           size_t count);
void recorded_write_row(struct text *out, const struct frame *f, const size_t *columns,
                        size_t count);

#endif
