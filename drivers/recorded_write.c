/* The writing half of recorded.h. */
#include "recorded.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

void recorded_write_header(struct text *out, const struct site *s, const size_t *columns,
                           size_t count)
{
    char name[SITE_ID_SIZE + 16];
    text_append(out, "time");
    for (size_t i = 0; i < count; i++) {
        frame_column_name(s, columns[i], name, sizeof name);
        text_append(out, ",");
        text_append(out, name);
    }
    text_append(out, "\n");
}

/* whole / 10^decimals; returns the length */
static size_t put_decimal(char *out, long whole, int decimals)
{
    char reversed[24];
    size_t n = 0, length = 0;
    unsigned long rest = whole < 0 ? 0UL - (unsigned long)whole : (unsigned long)whole;
    for (int digits = 0; rest > 0 || digits <= decimals; digits++) {
        if (digits == decimals && decimals > 0)
            reversed[n++] = '.';
        reversed[n++] = (char)('0' + rest % 10);
        rest /= 10;
    }
    if (whole < 0)
        reversed[n++] = '-';
    while (n > 0)
        out[length++] = reversed[--n];
    return length;
}

/* Meters speak in tenths to thousandths, so those come first: the fewest decimals with which a
 * whole number below 2^24 gives the float back (one exact division, as in cells.h). Else as
 * many digits as it takes; nine always do. */
static size_t put_value(char *out, size_t capacity, float v)
{
    static const float power[4] = {1.0F, 10.0F, 100.0F, 1000.0F};
    for (int d = 0; d < 4; d++) {
        double scaled = (double)v * (double)power[d];
        if (!(fabs(scaled) < 16777216.0))
            break;
        long whole = lrint(scaled);
        if ((float)whole / power[d] == v)
            return put_decimal(out, whole, d);
    }
    int n = 0;
    for (int digits = 6; digits <= 9; digits++) {
        n = snprintf(out, capacity, "%.*g", digits, (double)v);
        if (strtof(out, NULL) == v)
            break;
    }
    return n > 0 ? (size_t)n : 0;
}

void recorded_write_row(struct text *out, const struct frame *f, const size_t *columns,
                        size_t count)
{
    char cell[48];
    clock_format_rfc3339(f->wall_ms, cell);
    text_append(out, cell);
    for (size_t i = 0; i < count; i++) {
        float v = f->values[columns[i]];
        cell[0] = ',';
        size_t length = isfinite(v) ? put_value(cell + 1, sizeof cell - 1, v) : 0;
        text_append_bytes(out, cell, 1 + length);
    }
    text_append(out, "\n");
}
