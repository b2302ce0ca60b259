/*
 * codec - state as bytes: a growing writer and a bounded reader, little-endian.
 *
 * For what survives a restart (heat, learned loads, alarm states). The reader can fail at every
 * step and then stays failed and returns zeros, so a loader checks once at the end; what it
 * read until then must be thrown away. Nothing here trusts a length that came from outside.
 *
 * Ownership  the writer's bytes belong to the caller's struct, codec_out_free releases them;
 *            the reader borrows
 */
#ifndef FORETRIP_CODEC_H
#define FORETRIP_CODEC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct codec_out {
    uint8_t *bytes;
    size_t length;
    size_t capacity;
    bool failed; /* memory was short */
};

struct codec_in {
    const uint8_t *at;
    const uint8_t *end;
    bool failed;
};

void codec_put_u8(struct codec_out *o, uint8_t v);
void codec_put_u32(struct codec_out *o, uint32_t v);
void codec_put_i64(struct codec_out *o, int64_t v);
void codec_put_f32(struct codec_out *o, float v);
void codec_put_f64(struct codec_out *o, double v);
void codec_put_string(struct codec_out *o, const char *s);              /* length, then bytes */
void codec_put_bytes(struct codec_out *o, const void *bytes, size_t n); /* only the bytes */

/* A section is a length that is filled in at its end: an unknown one can be skipped, and a
 * reader of an older version does not run into the next. */
size_t codec_begin(struct codec_out *o, uint32_t tag);
void codec_end(struct codec_out *o, size_t begun);
void codec_out_free(struct codec_out *o);

uint8_t codec_get_u8(struct codec_in *i);
uint32_t codec_get_u32(struct codec_in *i);
int64_t codec_get_i64(struct codec_in *i);
float codec_get_f32(struct codec_in *i);  /* NaN and infinities fail */
double codec_get_f64(struct codec_in *i); /* NaN and infinities fail */
/* Seven bits a byte, the lowest first, the top bit saying that more follows; over nine bytes
 * fails. */
uint64_t codec_get_varint(struct codec_in *i);
/* Always terminates out; longer than capacity - 1 fails. */
void codec_get_string(struct codec_in *i, char *out, size_t capacity);
/* Opens the next section into *section and moves past it; false at the end or on failure. */
bool codec_next(struct codec_in *i, uint32_t *tag, struct codec_in *section);

#endif
