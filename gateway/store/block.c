#include "block.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define VERSION 1
#define NOTHING INT32_MIN /* no reading, among the scaled values */

struct block {
    size_t poles, panels, count;
    size_t rows;
    uint32_t has;
    int64_t first_mono_ms;
    int64_t wall_ms[BLOCK_ROWS];
    int32_t values[]; /* row by row */
};

struct block *block_create(size_t poles, size_t panels)
{
    size_t count = 4 * poles + 3 * panels;
    struct block *b = calloc(1, sizeof *b + BLOCK_ROWS * count * sizeof b->values[0]);
    if (b) {
        b->poles = poles;
        b->panels = panels;
        b->count = count;
    }
    return b;
}

void block_destroy(struct block *b)
{
    free(b);
}

size_t block_rows(const struct block *b)
{
    return b->rows;
}

int64_t block_first_wall_ms(const struct block *b)
{
    return b->wall_ms[0];
}

int64_t block_first_mono_ms(const struct block *b)
{
    return b->first_mono_ms;
}

double block_scale(enum frame_quantity q)
{
    switch (q) {
    case FRAME_AMPS: return 1000.0;
    case FRAME_WATTS: return 10.0;
    case FRAME_VOLTS: return 100.0;
    case FRAME_POWER_FACTOR: return 1000.0;
    case FRAME_PANEL_VOLTS: return 100.0;
    }
    return 1.0;
}

static size_t section_length(size_t poles, size_t panels, int q)
{
    return q == FRAME_PANEL_VOLTS ? 3 * panels : poles;
}

static int32_t scaled(float v, double scale)
{
    double r = round((double)v * scale);
    return fabs(r) < 2147483647.0 ? (int32_t)r : NOTHING; /* NaN compares false */
}

/* the hour changes: a block lies within one, which is closed as a whole */
static bool takes(const struct block *b, int64_t wall_ms)
{
    return b->rows == 0 || (b->rows < BLOCK_ROWS && wall_ms > b->wall_ms[b->rows - 1] &&
                            wall_ms - b->wall_ms[0] <= BLOCK_SPAN_MS &&
                            wall_ms / BLOCK_HOUR_MS == b->wall_ms[0] / BLOCK_HOUR_MS);
}

bool block_add(struct block *b, const struct frame *f)
{
    assert(f->poles == b->poles && f->panels == b->panels);
    if (!takes(b, f->wall_ms))
        return false;
    if (b->rows == 0) {
        b->has = 0;
        b->first_mono_ms = f->mono_ms;
    }
    int32_t *row = b->values + b->rows * b->count;
    for (int q = 0; q < FRAME_QUANTITIES; q++) {
        bool there = f->has >> q & 1;
        double scale = block_scale((enum frame_quantity)q);
        size_t at = (size_t)q * b->poles, n = section_length(b->poles, b->panels, q);
        for (size_t i = at; i < at + n; i++)
            row[i] = there ? scaled(f->values[i], scale) : NOTHING;
    }
    b->has |= f->has & ((1U << FRAME_QUANTITIES) - 1);
    b->wall_ms[b->rows++] = f->wall_ms;
    return true;
}

bool block_add_whole(struct block *b, int64_t wall_ms, const int32_t *row)
{
    if (!takes(b, wall_ms))
        return false;
    b->has = (1U << FRAME_QUANTITIES) - 1;
    memcpy(b->values + b->rows * b->count, row, b->count * sizeof *row);
    b->wall_ms[b->rows++] = wall_ms;
    return true;
}

static void put_varint(struct codec_out *o, uint64_t v)
{
    for (; v >= 0x80; v >>= 7)
        codec_put_u8(o, (uint8_t)(v | 0x80));
    codec_put_u8(o, (uint8_t)v);
}

static uint64_t zigzag(int64_t v)
{
    return (uint64_t)v << 1 ^ (v < 0 ? UINT64_MAX : 0);
}

static void put_channel(const struct block *b, size_t index, struct codec_out *o)
{
    int64_t last = 0;
    for (size_t r = 0; r < b->rows;) {
        int32_t v = b->values[r * b->count + index];
        size_t run = 0;
        while (r + run < b->rows && b->values[(r + run) * b->count + index] == v)
            run++;
        if (v == NOTHING) {
            put_varint(o, (uint64_t)run << 2 | 2);
            r += run;
        } else if (v == last && r > 0) {
            put_varint(o, (uint64_t)run << 2);
            r += run;
        } else {
            put_varint(o, zigzag(v - last) << 1 | 1);
            last = v;
            r++;
        }
    }
}

void block_seal(struct block *b, struct codec_out *out)
{
    codec_put_u8(out, VERSION);
    put_varint(out, b->rows);
    put_varint(out, b->has);
    for (size_t r = 1; r < b->rows; r++)
        put_varint(out, (uint64_t)(b->wall_ms[r] - b->wall_ms[r - 1]));
    for (int q = 0; q < FRAME_QUANTITIES; q++) {
        size_t at = (size_t)q * b->poles, n = section_length(b->poles, b->panels, q);
        for (size_t i = at; (b->has >> q & 1) && i < at + n; i++)
            put_channel(b, i, out);
    }
    b->rows = 0;
}

/* one channel's tokens, every stride-th place of values; NULL to pass over them */
static bool get_channel(struct codec_in *in, size_t rows, int32_t *values, size_t stride)
{
    int64_t last = 0;
    for (size_t r = 0; r < rows;) {
        uint64_t token = codec_get_varint(in);
        size_t run = 1;
        if (token & 1) {
            uint64_t z = token >> 1;
            last += (int64_t)(z >> 1) ^ -(int64_t)(z & 1);
            if (last <= INT32_MIN || last > INT32_MAX)
                return false;
        } else {
            run = (size_t)(token >> 2);
        }
        if (in->failed || run == 0 || run > rows - r)
            return false;
        int32_t v = (token & 3) == 2 ? NOTHING : (int32_t)last;
        for (; run > 0; run--, r++)
            if (values)
                values[r * stride] = v;
    }
    return true;
}

static bool get_head(struct codec_in *in, int64_t first_wall_ms, int64_t wall_ms[BLOCK_ROWS],
                     size_t *rows, uint64_t *has)
{
    if (codec_get_u8(in) != VERSION)
        return false;
    uint64_t n = codec_get_varint(in);
    *has = codec_get_varint(in);
    if (in->failed || n == 0 || n > BLOCK_ROWS || *has >> FRAME_QUANTITIES)
        return false;
    wall_ms[0] = first_wall_ms;
    for (size_t r = 1; r < n; r++) {
        uint64_t step = codec_get_varint(in);
        if (step > BLOCK_SPAN_MS)
            return false;
        wall_ms[r] = wall_ms[r - 1] + (int64_t)step;
    }
    *rows = (size_t)n;
    return !in->failed;
}

bool block_read_whole(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                      size_t panels, size_t index, int64_t wall_ms[BLOCK_ROWS],
                      int32_t values[BLOCK_ROWS], size_t *rows)
{
    struct codec_in in = {.at = bytes, .end = bytes + length};
    uint64_t has;
    if (!get_head(&in, first_wall_ms, wall_ms, rows, &has))
        return false;
    for (size_t r = 0; r < *rows; r++)
        values[r] = NOTHING;
    for (int q = 0; q < FRAME_QUANTITIES; q++) {
        size_t at = (size_t)q * poles, count = section_length(poles, panels, q);
        for (size_t i = at; (has >> q & 1) && i < at + count && i <= index; i++)
            if (!get_channel(&in, *rows, i == index ? values : NULL, 1))
                return false;
    }
    return !in.failed;
}

bool block_read(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                size_t panels, size_t index, int64_t wall_ms[BLOCK_ROWS],
                double values[BLOCK_ROWS], size_t *rows)
{
    int32_t whole[BLOCK_ROWS];
    if (!block_read_whole(bytes, length, first_wall_ms, poles, panels, index, wall_ms, whole,
                          rows))
        return false;
    size_t q = poles > 0 && index < 4 * poles ? index / poles : FRAME_PANEL_VOLTS;
    double scale = block_scale((enum frame_quantity)q);
    for (size_t r = 0; r < *rows; r++)
        values[r] = whole[r] == NOTHING ? (double)NAN : (double)whole[r] / scale;
    return true;
}

bool block_read_all(const uint8_t *bytes, size_t length, int64_t first_wall_ms, size_t poles,
                    size_t panels, int64_t wall_ms[BLOCK_ROWS], int32_t **matrix, size_t *rows)
{
    struct codec_in in = {.at = bytes, .end = bytes + length};
    uint64_t has;
    if (!get_head(&in, first_wall_ms, wall_ms, rows, &has))
        return false;
    size_t width = 4 * poles + 3 * panels;
    int32_t *all = malloc((*rows * width + 1) * sizeof *all);
    bool ok = all != NULL;
    for (size_t i = 0; ok && i < *rows * width; i++)
        all[i] = NOTHING;
    for (int q = 0; ok && q < FRAME_QUANTITIES; q++) {
        size_t at = (size_t)q * poles, count = section_length(poles, panels, q);
        for (size_t i = at; ok && (has >> q & 1) && i < at + count; i++)
            ok = get_channel(&in, *rows, all + i, width);
    }
    if (!ok || in.failed) {
        free(all);
        return false;
    }
    *matrix = all;
    return true;
}

double block_column_scale(const char *column)
{
    static const struct {
        const char *suffix;
        enum frame_quantity quantity;
    } suffixes[] = {{".amps", FRAME_AMPS},           {".watts", FRAME_WATTS},
                    {".volts_a", FRAME_PANEL_VOLTS}, {".volts_b", FRAME_PANEL_VOLTS},
                    {".volts_c", FRAME_PANEL_VOLTS}, {".volts", FRAME_VOLTS},
                    {".pf", FRAME_POWER_FACTOR}};
    const char *dot = strrchr(column, '.');
    for (size_t i = 0; dot && i < sizeof suffixes / sizeof suffixes[0]; i++)
        if (strncmp(dot, suffixes[i].suffix, strlen(suffixes[i].suffix)) == 0)
            return block_scale(suffixes[i].quantity);
    return 1.0;
}
