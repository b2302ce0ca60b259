/*
 * The two passes of cells.h with 256-bit vectors (AVX2), where the processor has them. The
 * whole file is optional: elsewhere only the stub at its end remains.
 */
#include "cells.h"

#if defined(__x86_64__)

#include <immintrin.h>

#define VECTOR __attribute__((target("avx2,bmi,bmi2,popcnt")))

static VECTOR inline uint64_t put_position(uint64_t found, uint32_t base, uint32_t *end)
{
    *end = base + (uint32_t)_tzcnt_u64(found);
    return _blsr_u64(found);
}

/* The positions of the bits of `found`, written eight at a time whether there are so many or
 * not: the loop then ends in a way that the processor foresees. */
static VECTOR inline size_t put_positions(uint64_t found, uint32_t base, uint32_t *ends)
{
    size_t n = (size_t)_mm_popcnt_u64(found);
    for (const uint32_t *last = ends + n; ends < last; ends += 8) {
        found = put_position(found, base, ends);
        found = put_position(found, base, ends + 1);
        found = put_position(found, base, ends + 2);
        found = put_position(found, base, ends + 3);
        found = put_position(found, base, ends + 4);
        found = put_position(found, base, ends + 5);
        found = put_position(found, base, ends + 6);
        found = put_position(found, base, ends + 7);
    }
    return n;
}

static VECTOR inline uint64_t put_line(uint64_t newlines, uint64_t found, size_t n,
                                       uint32_t *line)
{
    uint64_t before = found & (_blsi_u64(newlines) - 1);
    *line = (uint32_t)(n + (size_t)_mm_popcnt_u64(before));
    return _blsr_u64(newlines);
}

/* The same for the line ends, two at a time: a row is seldom shorter than half of 64 bytes. */
static VECTOR inline size_t put_lines(uint64_t newlines, uint64_t found, size_t n,
                                      uint32_t *lines)
{
    size_t rows = (size_t)_mm_popcnt_u64(newlines);
    for (const uint32_t *last = lines + rows; lines < last; lines += 2) {
        newlines = put_line(newlines, found, n, lines);
        newlines = put_line(newlines, found, n, lines + 1);
    }
    return rows;
}

static VECTOR inline uint64_t bytes_equal(__m256i a, __m256i b, __m256i wanted)
{
    uint32_t low = (uint32_t)_mm256_movemask_epi8(_mm256_cmpeq_epi8(a, wanted));
    uint32_t high = (uint32_t)_mm256_movemask_epi8(_mm256_cmpeq_epi8(b, wanted));
    return low | (uint64_t)high << 32;
}

static VECTOR size_t index_vector(const char *text, size_t length, uint32_t *ends,
                                  uint32_t *lines, size_t *rows)
{
    const __m256i comma = _mm256_set1_epi8(','), line = _mm256_set1_epi8('\n');
    size_t n = 0, row = 0;
    for (size_t i = 0; i < length; i += 64) {
        __m256i a = _mm256_loadu_si256((const __m256i *)(const void *)(text + i));
        __m256i b = _mm256_loadu_si256((const __m256i *)(const void *)(text + i + 32));
        uint64_t inside = length - i < 64 ? ((uint64_t)1 << (length - i)) - 1 : ~(uint64_t)0;
        uint64_t newlines = bytes_equal(a, b, line) & inside;
        uint64_t found = (bytes_equal(a, b, comma) & inside) | newlines;
        row += put_lines(newlines, found, n, lines + row);
        n += put_positions(found, (uint32_t)i, ends + n);
    }
    *rows = row;
    return n;
}

struct four {         /* cells, a 64-bit lane each */
    __m256i value;    /* 0..99999999 as two 32-bit halves: upper four digits, lower four */
    __m256i decimals; /* 0..7, or 8 for no point */
    __m256i minus;    /* all ones when negative */
    __m256i bad;      /* all ones when not of the usual shape */
};

static VECTOR inline __m256i load_tails(const char *text, const uint32_t *ends)
{
    const char *p = text - 8;
    return _mm256_setr_epi64x(_mm_cvtsi128_si64(_mm_loadu_si64(p + ends[0])),
                              _mm_cvtsi128_si64(_mm_loadu_si64(p + ends[1])),
                              _mm_cvtsi128_si64(_mm_loadu_si64(p + ends[2])),
                              _mm_cvtsi128_si64(_mm_loadu_si64(p + ends[3])));
}

/* the portable way of cells.c, four lanes abreast and without a branch */
static VECTOR inline struct four convert_four(const char *text, __m128i begins,
                                              const uint32_t *ends)
{
    const __m256i zero = _mm256_setzero_si256(), ones = _mm256_set1_epi8(-1);
    __m128i e = _mm_loadu_si128((const __m128i *)(const void *)ends);
    __m256i length = _mm256_cvtepu32_epi64(_mm_sub_epi32(e, begins));
    /* a length above 8 makes a huge shift, which leaves nothing in the lane */
    __m256i shift = _mm256_sub_epi64(_mm256_set1_epi64x(64), _mm256_slli_epi64(length, 3));
    __m256i first =
        _mm256_srlv_epi64(load_tails(text, ends), shift); /* first byte at the bottom */
    __m256i low_byte = _mm256_set1_epi64x(0xFF);
    __m256i minus =
        _mm256_cmpeq_epi64(_mm256_and_si256(first, low_byte), _mm256_set1_epi64x('-'));
    __m256i sign_byte = _mm256_and_si256(minus, low_byte);
    __m256i w = _mm256_sllv_epi64(_mm256_andnot_si256(sign_byte, first), shift);
    __m256i lanes = _mm256_sllv_epi64(
        _mm256_andnot_si256(sign_byte, _mm256_srlv_epi64(ones, shift)), shift);

    __m256i points = _mm256_cmpeq_epi8(w, _mm256_set1_epi8('.'));
    __m256i point = _mm256_and_si256(points, _mm256_set1_epi8(1));
    __m256i none = _mm256_cmpeq_epi64(point, zero);
    __m256i below = _mm256_andnot_si256(none, _mm256_add_epi64(point, ones)); /* point - 1 */
    __m256i above = _mm256_andnot_si256(_mm256_or_si256(below, points), ones);
    __m256i two_points = _mm256_and_si256(point, below);
    w = _mm256_or_si256(_mm256_slli_epi64(_mm256_and_si256(w, below), 8),
                        _mm256_and_si256(w, above));
    lanes = _mm256_or_si256(_mm256_slli_epi64(_mm256_and_si256(lanes, below), 8),
                            _mm256_and_si256(lanes, above));

    const __m256i nine = _mm256_set1_epi8(9);
    __m256i d = _mm256_xor_si256(w, _mm256_and_si256(lanes, _mm256_set1_epi8(0x30)));
    __m256i fine = _mm256_cmpeq_epi64(_mm256_cmpeq_epi8(_mm256_max_epu8(d, nine), nine), ones);
    __m256i odd =
        _mm256_or_si256(_mm256_cmpeq_epi64(lanes, zero),
                        _mm256_andnot_si256(_mm256_cmpeq_epi64(two_points, zero), ones));
    __m256i pairs = _mm256_maddubs_epi16(d, _mm256_set1_epi16(0x010A)); /* 10, 1 */
    return (struct four){
        .value = _mm256_madd_epi16(pairs, _mm256_set1_epi32(0x00010064)), /* 100, 1 */
        .decimals = _mm256_sad_epu8(_mm256_and_si256(above, _mm256_set1_epi8(1)), zero),
        .minus = minus,
        .bad = _mm256_or_si256(odd, _mm256_andnot_si256(fine, ones)),
    };
}

/* the low halves of the lanes of a, then those of b */
static VECTOR inline __m256i low_halves(__m256i a, __m256i b)
{
    __m256 mixed = _mm256_shuffle_ps(_mm256_castsi256_ps(a), _mm256_castsi256_ps(b), 0x88);
    return _mm256_permute4x64_epi64(_mm256_castps_si256(mixed), 0xD8);
}

static VECTOR inline __m256 join_eight(struct four a, struct four b)
{
    const __m256 power = _mm256_setr_ps(1.0F, 1e1F, 1e2F, 1e3F, 1e4F, 1e5F, 1e6F, 1e7F);
    __m256i halves = _mm256_packus_epi32(a.value, b.value); /* 16 bits hold four digits */
    __m256i whole = _mm256_madd_epi16(halves, _mm256_set1_epi32(0x00012710)); /* 10000, 1 */
    __m256 v = _mm256_cvtepi32_ps(_mm256_permute4x64_epi64(whole, 0xD8));
    v = _mm256_div_ps(v, _mm256_permutevar8x32_ps(power, low_halves(a.decimals, b.decimals)));
    __m256i sign = _mm256_slli_epi32(low_halves(a.minus, b.minus), 31);
    v = _mm256_add_ps(_mm256_xor_ps(v, _mm256_castsi256_ps(sign)), _mm256_setzero_ps());
    return _mm256_or_ps(v, _mm256_castsi256_ps(low_halves(a.bad, b.bad))); /* all ones: a NaN */
}

static VECTOR void numbers_vector(const char *text, const uint32_t *ends, size_t count,
                                  float *out)
{
    const __m128i one = _mm_set1_epi32(1);
    __m128i begins = _mm_setr_epi32(0, (int)ends[0] + 1, (int)ends[1] + 1, (int)ends[2] + 1);
    for (size_t i = 0; i < count; i += 8) {
        if (i > 0)
            begins = _mm_add_epi32(
                _mm_loadu_si128((const __m128i *)(const void *)(ends + i - 1)), one);
        struct four a = convert_four(text, begins, ends + i);
        begins =
            _mm_add_epi32(_mm_loadu_si128((const __m128i *)(const void *)(ends + i + 3)), one);
        struct four b = convert_four(text, begins, ends + i + 4);
        _mm256_storeu_ps(out + i, join_eight(a, b));
    }
}

static VECTOR size_t deliver_vector(const float *values, struct cells_bounds b, size_t count,
                                    float *out)
{
    const __m256i lane = _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7);
    for (size_t i = 0; i < count; i += 8) {
        __m256 v = _mm256_loadu_ps(values + i);
        __m256i wanted = _mm256_cmpgt_epi32(_mm256_set1_epi32((int)(count - i)), lane);
        __m256 inside =
            _mm256_and_ps(_mm256_cmp_ps(v, _mm256_loadu_ps(b.least + i), _CMP_GE_OQ),
                          _mm256_cmp_ps(v, _mm256_loadu_ps(b.most + i), _CMP_LE_OQ));
        _mm256_maskstore_ps(out + i, wanted, _mm256_max_ps(v, _mm256_loadu_ps(b.floor + i)));
        unsigned outside =
            (unsigned)_mm256_movemask_ps(_mm256_andnot_ps(inside, _mm256_castsi256_ps(wanted)));
        if (outside)
            return i + (size_t)_tzcnt_u32(outside);
    }
    return count;
}

const struct cells_way *cells_vector_way(void)
{
    static const struct cells_way vector = {"vectors", index_vector, numbers_vector,
                                            deliver_vector};
    bool here = __builtin_cpu_supports("avx2") && __builtin_cpu_supports("bmi") &&
                __builtin_cpu_supports("bmi2") && __builtin_cpu_supports("popcnt");
    return here ? &vector : NULL;
}

#else

const struct cells_way *cells_vector_way(void)
{
    return NULL;
}

#endif
