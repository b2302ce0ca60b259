/*
 * cells - numbers out of the text of a CSV file, exactly and fast.
 *
 * Works on a window: a piece of text that holds whole rows. Two passes, each over the whole
 * window so that the processor finds work to do side by side:
 *
 *     text      1767225600,0.44,-0.02,12.5\n1767225601,0.43, ...
 *     index               ^    ^     ^    ^            positions of every comma and line end
 *     numbers   NaN  0.44F -0.02F 12.5F NaN ...        one float a cell
 *
 * `numbers` converts the usual shape: 1 to 8 bytes, an optional minus, digits with at most one
 * point among them. Whatever else stands in a cell (nothing, blanks, an exponent, a mistake) is
 * left as NaN for cells_number, which takes every accepted number and is the definition of what
 * one is. Both give the float nearest to the decimal (ties to even), and never a negative zero:
 * digits without the point are a whole number below 2^24, or have no point at all, so that one
 * IEEE division by a power of ten, itself exact, rounds once.
 *
 * There are several ways to do the two passes: a plain one, portable arithmetic on 8 bytes at a
 * time, and the processor's vectors where it has them. Their results are the same to the last
 * bit; tests and the fuzz target compare them.
 */
#ifndef FORETRIP_CELLS_H
#define FORETRIP_CELLS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* A window has so many readable bytes before and after it; `ends`, `lines`, `values` and bounds
 * have room for so many more entries than were asked for. What lies there does not matter. */
#define CELLS_MARGIN 64

/* What each of some columns takes: least..most, and what is below the floor becomes the floor.
 */
struct cells_bounds {
    const float *least, *most, *floor;
};

struct cells_way {
    const char *name;
    /* Puts the positions of every ',' and '\n' into ends[0..] and returns how many; lines[0..]
     * tells which of them are line ends, *rows how many those are. length < 2^31. */
    size_t (*index)(const char *text, size_t length, uint32_t *ends, uint32_t *lines,
                    size_t *rows);
    /* Cell i lies between ends[i - 1] and ends[i]; the first begins at text. */
    void (*numbers)(const char *text, const uint32_t *ends, size_t count, float *out);
    /* Moves values to out while they are within their bounds; returns how many were. out has
     * room for count, and behind those that were moved anything may have been written. */
    size_t (*deliver)(const float *values, struct cells_bounds bounds, size_t count,
                      float *out);
};

/* The quickest this processor can do. */
const struct cells_way *cells_best(void);

/* All that this processor can do, the plain one first; returns how many. For tests. */
#define CELLS_MOST_WAYS 3
size_t cells_ways(const struct cells_way *out[CELLS_MOST_WAYS]);

enum cell_kind { CELL_NUMBER, CELL_EMPTY, CELL_BAD };

#define CELL_MAX_LENGTH 64

/* One cell of any shape: blanks, tabs and a carriage return around it do not count; a sign,
 * digits with a point anywhere, an exponent. No "nan", "inf", hexadecimal or quotes, and at
 * most CELL_MAX_LENGTH bytes. Too large a number becomes infinite. *out is set for CELL_NUMBER
 * only. */
enum cell_kind cells_number(const char *s, size_t length, float *out);

/* The vectors' way, NULL on a processor without them (cells_vector.c). */
const struct cells_way *cells_vector_way(void);

#endif
