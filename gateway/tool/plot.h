/*
 * plot - a series of buckets as a picture: lines of characters, or an SVG.
 *
 * Each column shows the span from least to most and, in it, the mean; the breaker's rating is a
 * line across when it lies in the picture.
 */
#ifndef FORETRIP_TOOL_PLOT_H
#define FORETRIP_TOOL_PLOT_H

#include "base/text.h"
#include "store/history.h"

struct plot {
    const struct history_bucket *buckets;
    size_t count;
    const char *title, *unit;
    const char *left, *right; /* the times of its ends, as words */
    double rating;            /* NaN for none */
};

/* height lines of count columns */
void plot_lines(const struct plot *p, int height, struct text *out);
void plot_svg(const struct plot *p, struct text *out);

#endif
