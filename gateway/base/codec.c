#include "codec.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void put(struct codec_out *o, const void *bytes, size_t n)
{
    if (o->failed)
        return;
    if (o->length + n > o->capacity) {
        size_t capacity = o->capacity ? o->capacity : 256;
        while (capacity < o->length + n)
            capacity *= 2;
        uint8_t *grown = realloc(o->bytes, capacity);
        if (!grown) {
            o->failed = true;
            return;
        }
        o->bytes = grown;
        o->capacity = capacity;
    }
    memcpy(o->bytes + o->length, bytes, n);
    o->length += n;
}

static void put_le(struct codec_out *o, uint64_t v, size_t n)
{
    uint8_t b[8];
    for (size_t k = 0; k < n; k++)
        b[k] = (uint8_t)(v >> (8 * k));
    put(o, b, n);
}

void codec_put_bytes(struct codec_out *o, const void *bytes, size_t n)
{
    if (n > 0)
        put(o, bytes, n);
}

void codec_put_u8(struct codec_out *o, uint8_t v)
{
    put_le(o, v, 1);
}

void codec_put_u32(struct codec_out *o, uint32_t v)
{
    put_le(o, v, 4);
}

void codec_put_i64(struct codec_out *o, int64_t v)
{
    put_le(o, (uint64_t)v, 8);
}

void codec_put_f32(struct codec_out *o, float v)
{
    uint32_t bits;
    memcpy(&bits, &v, sizeof bits);
    put_le(o, bits, 4);
}

void codec_put_f64(struct codec_out *o, double v)
{
    uint64_t bits;
    memcpy(&bits, &v, sizeof bits);
    put_le(o, bits, 8);
}

void codec_put_string(struct codec_out *o, const char *s)
{
    size_t n = strlen(s);
    codec_put_u32(o, (uint32_t)n);
    put(o, s, n);
}

size_t codec_begin(struct codec_out *o, uint32_t tag)
{
    codec_put_u32(o, tag);
    codec_put_u32(o, 0);
    return o->length;
}

void codec_end(struct codec_out *o, size_t begun)
{
    if (o->failed)
        return;
    uint64_t n = o->length - begun;
    for (size_t k = 0; k < 4; k++)
        o->bytes[begun - 4 + k] = (uint8_t)(n >> (8 * k));
}

void codec_out_free(struct codec_out *o)
{
    free(o->bytes);
    *o = (struct codec_out){0};
}

static uint64_t get_le(struct codec_in *i, size_t n)
{
    if (i->failed || (size_t)(i->end - i->at) < n) {
        i->failed = true;
        return 0;
    }
    uint64_t v = 0;
    for (size_t k = 0; k < n; k++)
        v |= (uint64_t)i->at[k] << (8 * k);
    i->at += n;
    return v;
}

uint8_t codec_get_u8(struct codec_in *i)
{
    return (uint8_t)get_le(i, 1);
}

uint32_t codec_get_u32(struct codec_in *i)
{
    return (uint32_t)get_le(i, 4);
}

int64_t codec_get_i64(struct codec_in *i)
{
    return (int64_t)get_le(i, 8);
}

float codec_get_f32(struct codec_in *i)
{
    uint32_t bits = (uint32_t)get_le(i, 4);
    float v;
    memcpy(&v, &bits, sizeof v);
    if (!isfinite(v)) {
        i->failed = true;
        return 0.0F;
    }
    return v;
}

double codec_get_f64(struct codec_in *i)
{
    uint64_t bits = get_le(i, 8);
    double v;
    memcpy(&v, &bits, sizeof v);
    if (!isfinite(v)) {
        i->failed = true;
        return 0.0;
    }
    return v;
}

uint64_t codec_get_varint(struct codec_in *i)
{
    uint64_t v = 0;
    for (unsigned shift = 0; shift < 63; shift += 7) {
        uint8_t byte = codec_get_u8(i);
        v |= (uint64_t)(byte & 0x7f) << shift;
        if (!(byte & 0x80))
            return v;
    }
    i->failed = true;
    return 0;
}

void codec_get_string(struct codec_in *i, char *out, size_t capacity)
{
    size_t n = codec_get_u32(i);
    out[0] = '\0';
    if (i->failed || n >= capacity || (size_t)(i->end - i->at) < n) {
        i->failed = true;
        return;
    }
    memcpy(out, i->at, n);
    out[n] = '\0';
    i->at += n;
}

bool codec_next(struct codec_in *i, uint32_t *tag, struct codec_in *section)
{
    if (i->failed || i->at == i->end)
        return false;
    uint32_t t = codec_get_u32(i);
    uint32_t n = codec_get_u32(i);
    if (i->failed || (size_t)(i->end - i->at) < n) {
        i->failed = true;
        return false;
    }
    *tag = t;
    *section = (struct codec_in){.at = i->at, .end = i->at + n};
    i->at += n;
    return true;
}
