/*
 * pack - many integers of one series as few bytes, and back, exactly.
 *
 *     whole numbers of the meter's smallest step, 64 at a time: the least of them, and of each
 * how far it lies above that, in as many bits as the farthest needs (frame of reference); over
 *     all of it zstd, when that makes it smaller
 *
 *     bytes    method | count | decimal places that are always zero | runs of no reading |
 *              a width a group | the groups' least values, as differences | the packed bits
 *
 * A circuit at rest costs next to nothing, a noisy last digit its few bits. No reading is
 * PACK_NOTHING. The bytes stand alone and carry a checksum when they are compressed; the
 * decoder trusts nothing: damaged bytes give false, never a wrong length.
 *
 * Why this code and no other: docs/method/history.md.
 *
 * Ownership  a packer is scratch memory, pack_create .. pack_destroy; encoded bytes are the
 *            caller's
 * Threads    one thread at a time per packer
 */
#ifndef FORETRIP_STORE_PACK_H
#define FORETRIP_STORE_PACK_H

#include "base/codec.h"

#define PACK_NOTHING INT32_MIN
#define PACK_MOST ((size_t)1 << 22) /* values in one piece; more is refused */

struct packer;

/* NULL when memory is short. */
struct packer *pack_create(void);
void pack_destroy(struct packer *p);

/* Gives back what it holds between two calls, some hundred KiB once an hour was packed or a day
 * read; the next call takes it again. What was decoded is gone. */
void pack_rest(struct packer *p);

/* Appends n values to out; out->failed when memory is short. level: zstd's. */
void pack_encode(struct packer *p, const int32_t *values, size_t n, int level,
                 struct codec_out *out);

/* The values belong to the packer until its next call. False when the bytes are damaged, or
 * memory is short; pack_was_short says which. */
bool pack_decode(struct packer *p, const uint8_t *bytes, size_t length, const int32_t **values,
                 size_t *n);

/* The last decoding failed for want of memory: nothing is known against the bytes. */
bool pack_was_short(const struct packer *p);

/* Times in ms, in any order: the first, and the packed differences. False (nothing appended)
 * when two neighbours lie more than 24 days apart. */
bool pack_encode_times(struct packer *p, const int64_t *times, size_t n, int level,
                       struct codec_out *out);
/* times is malloc'ed and the caller's; NULL for none. */
bool pack_decode_times(struct packer *p, const uint8_t *bytes, size_t length, int64_t **times,
                       size_t *n);

#endif
