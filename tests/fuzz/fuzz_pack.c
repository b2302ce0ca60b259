/* Pieces of history as a damaged card may give them back: no crash, never more values than were
 * announced, and what can be read is written again to the same values.
 *
 * Input: what it is taken for (values, times, summaries of four levels), then the bytes. */
#include "store/summary.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define MOST 100000 /* values that are written again: the others are only counted */

static void check_values(struct packer *p, const uint8_t *bytes, size_t size)
{
    const int32_t *values, *again;
    size_t n, count = 0;
    struct codec_out out = {0};
    if (!pack_decode(p, bytes, size, &values, &n))
        return;
    if (n > PACK_MOST)
        abort();
    if (n == 0 || n > MOST)
        return;
    int32_t *copy = malloc(n * sizeof *copy);
    if (!copy)
        abort();
    memcpy(copy, values, n * sizeof *copy);
    pack_encode(p, copy, n, 1, &out);
    if (out.failed || !pack_decode(p, out.bytes, out.length, &again, &count) || count != n ||
        memcmp(copy, again, n * sizeof *copy) != 0)
        abort();
    codec_out_free(&out);
    free(copy);
}

static void check_times(struct packer *p, const uint8_t *bytes, size_t size)
{
    int64_t *times = NULL;
    size_t n = 0;
    if (pack_decode_times(p, bytes, size, &times, &n) && n > PACK_MOST + 1)
        abort();
    free(times);
}

static void check_summaries(struct packer *p, enum summary_level level, const uint8_t *bytes,
                            size_t size)
{
    struct summary *s = calloc(summary_count(level), sizeof *s);
    if (!s)
        abort();
    summary_decode(p, level, bytes, size, s);
    free(s);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1)
        return 0;
    struct packer *p = pack_create();
    if (!p)
        abort();
    unsigned what = data[0] % 6;
    if (what == 0)
        check_values(p, data + 1, size - 1);
    else if (what == 1)
        check_times(p, data + 1, size - 1);
    else
        check_summaries(p, (enum summary_level)(what - 2), data + 1, size - 1);
    pack_destroy(p);
    return 0;
}
