/*
 * block - some seconds of readings as bytes, and back.
 *
 * The tail of the history: whole frames of up to BLOCK_ROWS moments, channel by channel. Values
 * become integers of the quantity's resolution, and each channel a run of tokens:
 *
 *     varint   ...xxx1   the next value, as zigzag difference from the one before (first: from
 * 0)
 *              ...xx00   the last value, xx times again
 *              ...xx10   xx times no reading
 *
 * so that a channel that stands still costs three bytes a block, a missing one a byte, noise of
 * the last digits a byte a reading. Before them: version, rows, sections present, the time of
 * each further row as a varint difference in ms. The bytes stand alone; nothing refers to
 * another block. The decoder trusts nothing: damaged bytes give false, never a wrong length.
 *
 * Ownership  block_create .. block_destroy; encoded bytes are the caller's
 */
#ifndef FORETRIP_STORE_BLOCK_H
#define FORETRIP_STORE_BLOCK_H

#include "base/codec.h"
#include "model/frame.h"

#define BLOCK_ROWS 128
#define BLOCK_SPAN_MS 60000   /* between first and last row, at the most */
#define BLOCK_HOUR_MS 3600000 /* a block does not reach from one hour into the next */

struct block;

/* For frames of that many values. NULL when memory is short. */
struct block *block_create(size_t poles, size_t panels);
void block_destroy(struct block *b);

size_t block_rows(const struct block *b);
int64_t block_first_wall_ms(const struct block *b);
int64_t block_first_mono_ms(const struct block *b);

/* False, with nothing taken, when the block has to be sealed first: full, too long, another
 * hour, or the clock did not move forward. An empty block takes any frame of its shape. */
bool block_add(struct block *b, const struct frame *f);

/* Appends the bytes to out and empties the block. */
void block_seal(struct block *b, struct codec_out *out);

/* Values per unit that the quantity is kept at: 1000 for amps. */
double block_scale(enum frame_quantity q);

/* All of it: rows times the values of a frame, row by row, whole numbers of the quantity's
 * step, INT32_MIN for no reading; *matrix is malloc'ed and the caller's. */
bool block_read_all(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                    size_t panels, int64_t wall_ms[BLOCK_ROWS], int32_t **matrix, size_t *rows);

/* As block_read, in whole numbers. */
bool block_read_whole(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                      size_t panels, size_t index, int64_t wall_ms[BLOCK_ROWS],
                      int32_t values[BLOCK_ROWS], size_t *rows);

/* A row of block_read_all again, into a block of that shape; false as block_add. */
bool block_add_whole(struct block *b, int64_t wall_ms, const int32_t *row);

/* The step of a column by its name ("main-07.watts": 10 a watt); 1 for an unknown one. */
double block_column_scale(const char *column);

/* The series of one value index: times and values (NaN: no reading) of *rows rows. False when
 * the bytes are damaged. */
bool block_read(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                size_t panels, size_t index, int64_t wall_ms[BLOCK_ROWS],
                double values[BLOCK_ROWS], size_t *rows);

#endif
