#include "cells.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- any number -------------------------------------------------------------------------- */

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

static size_t digits(const char *s, size_t length, size_t at)
{
    size_t n = 0;
    while (at + n < length && s[at + n] >= '0' && s[at + n] <= '9')
        n++;
    return n;
}

/* [+-] digits [. digits] [e [+-] digits], at least one digit before the exponent */
static bool looks_like_number(const char *s, size_t length)
{
    size_t at = length > 0 && (s[0] == '-' || s[0] == '+');
    size_t whole = digits(s, length, at), fraction = 0;
    at += whole;
    if (at < length && s[at] == '.') {
        fraction = digits(s, length, at + 1);
        at += 1 + fraction;
    }
    if (whole + fraction == 0)
        return false;
    if (at < length && (s[at] == 'e' || s[at] == 'E')) {
        at++;
        at += at < length && (s[at] == '-' || s[at] == '+');
        size_t exponent = digits(s, length, at);
        if (exponent == 0)
            return false;
        at += exponent;
    }
    return at == length;
}

enum cell_kind cells_number(const char *s, size_t length, float *out)
{
    while (length > 0 && is_blank(s[0])) {
        s++;
        length--;
    }
    while (length > 0 && is_blank(s[length - 1]))
        length--;
    if (length == 0)
        return CELL_EMPTY;
    if (length > CELL_MAX_LENGTH || !looks_like_number(s, length))
        return CELL_BAD;
    char copy[CELL_MAX_LENGTH + 1];
    memcpy(copy, s, length);
    copy[length] = '\0';
    *out = strtof(copy, NULL) + 0.0F; /* the programs never leave the C locale */
    return CELL_NUMBER;
}

/* ---- the plain way: a byte at a time, and every cell left to cells_number ---------------- */

static size_t index_plain(const char *text, size_t length, uint32_t *ends, uint32_t *lines,
                          size_t *rows)
{
    size_t n = 0, line = 0;
    for (size_t i = 0; i < length; i++) {
        if (text[i] == '\n')
            lines[line++] = (uint32_t)n;
        if (text[i] == ',' || text[i] == '\n')
            ends[n++] = (uint32_t)i;
    }
    *rows = line;
    return n;
}

static void numbers_plain(const char *text, const uint32_t *ends, size_t count, float *out)
{
    (void)text;
    (void)ends;
    for (size_t i = 0; i < count; i++)
        out[i] = (float)NAN;
}

static size_t deliver_plain(const float *values, struct cells_bounds b, size_t count,
                            float *out)
{
    size_t i = 0;
    for (; i < count && values[i] >= b.least[i] && values[i] <= b.most[i]; i++)
        out[i] = values[i] > b.floor[i] ? values[i] : b.floor[i];
    return i;
}

/* ---- the portable way: eight bytes in one integer, the first in the lowest byte ---------- */

#define EACH(byte) (0x0101010101010101U * (byte))

static uint64_t load(const char *p)
{
    unsigned char b[8];
    memcpy(b, p, 8);
    return (uint64_t)b[0] | (uint64_t)b[1] << 8 | (uint64_t)b[2] << 16 | (uint64_t)b[3] << 24 |
           (uint64_t)b[4] << 32 | (uint64_t)b[5] << 40 | (uint64_t)b[6] << 48 |
           (uint64_t)b[7] << 56;
}

/* 0x80 in exactly the bytes of w that equal `byte` */
static uint64_t bytes_equal(uint64_t w, unsigned byte)
{
    uint64_t x = w ^ EACH(byte);
    return ~(((x & EACH(0x7FU)) + EACH(0x7FU)) | x | EACH(0x7FU));
}

static size_t index_words(const char *text, size_t length, uint32_t *ends, uint32_t *lines,
                          size_t *rows)
{
    size_t n = 0, line = 0;
    for (size_t i = 0; i < length; i += 8) {
        uint64_t w = load(text + i);
        uint64_t found = bytes_equal(w, ',') | bytes_equal(w, '\n');
        if (length - i < 8)
            found &= ((uint64_t)1 << 8 * (length - i)) - 1;
        for (; found; found &= found - 1) {
            size_t at = i + (size_t)__builtin_ctzll(found) / 8;
            lines[line] = (uint32_t)n; /* stays when it is one */
            line += text[at] == '\n';
            ends[n++] = (uint32_t)at;
        }
    }
    *rows = line;
    return n;
}

/* The eight bytes before the end of the cell, those before its beginning masked out. The bytes
 * before the point move up over it, so that the digits lie side by side at the top; then pairs,
 * fours and all eight are joined by three multiplications. */
static float number_word(const char *text, size_t begin, size_t end)
{
    static const float power[8] = {1.0F, 1e1F, 1e2F, 1e3F, 1e4F, 1e5F, 1e6F, 1e7F};
    bool minus = text[begin] == '-';
    size_t length = end - begin - minus;
    if (length - 1 > 7 || end - begin > 8) /* also refuses 0 */
        return (float)NAN;
    uint64_t lanes = ~(uint64_t)0 << (64 - 8 * length);
    uint64_t w = load(text + end - 8) & lanes;
    uint64_t point = bytes_equal(w, '.');
    unsigned decimals = 0;
    if (point) {
        unsigned at = (unsigned)__builtin_ctzll(point) / 8;
        uint64_t below = ((uint64_t)1 << 8 * at) - 1, above = ~(below << 8 | 0xFFU);
        w = (w & below) << 8 | (w & above);
        lanes = (lanes & below) << 8 | (lanes & above);
        decimals = 7 - at;
    }
    uint64_t d = w ^ (lanes & EACH(0x30U));
    if (!lanes || (((d + EACH(0x76U)) | d) & EACH(0x80U)))
        return (float)NAN;
    d = (d * 10 + (d >> 8)) & 0x00FF00FF00FF00FFU;
    d = (d * 100 + (d >> 16)) & 0x0000FFFF0000FFFFU;
    d = (d * 10000 + (d >> 32)) & 0xFFFFFFFFU;
    float v = (float)(int32_t)d / power[decimals];
    return (minus ? -v : v) + 0.0F;
}

static void numbers_words(const char *text, const uint32_t *ends, size_t count, float *out)
{
    size_t begin = 0;
    for (size_t i = 0; i < count; i++) {
        out[i] = number_word(text, begin, ends[i]);
        begin = ends[i] + 1;
    }
}

/* ---- which ------------------------------------------------------------------------------- */

static const struct cells_way plain = {"plain", index_plain, numbers_plain, deliver_plain};
static const struct cells_way words = {"words", index_words, numbers_words, deliver_plain};

const struct cells_way *cells_best(void)
{
    const struct cells_way *vector = cells_vector_way();
    return vector ? vector : &words;
}

size_t cells_ways(const struct cells_way *out[CELLS_MOST_WAYS])
{
    size_t n = 0;
    out[n++] = &plain;
    out[n++] = &words;
    if (cells_vector_way())
        out[n++] = cells_vector_way();
    return n;
}
