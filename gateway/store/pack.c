#include "pack.h"

#include <endian.h>
#include <stdlib.h>
#include <string.h>
#include <zstd.h>

#define GROUP 64
#define SLACK 8 /* a whole word may be read from the last byte on */
#define DECIMALS_MOST 3

enum method { METHOD_PLAIN = 1, METHOD_ZSTD = 2 };

static const int32_t power_of_ten[DECIMALS_MOST + 1] = {1, 10, 100, 1000};
/* of 5, 25, 125 modulo 2^32: an exact division is a shift and a multiplication */
static const uint32_t inverse_of_five[DECIMALS_MOST + 1] = {1, 0xcccccccd, 0xc28f5c29,
                                                            0x26e978d5};

struct packer {
    ZSTD_CCtx *compress; /* NULL: at rest */
    ZSTD_DCtx *expand;   /* likewise */
    int32_t *values;     /* filled, or decoded */
    size_t values_room;
    uint8_t *bytes; /* before compression, or after expansion */
    size_t bytes_room;
    int32_t *leasts; /* of the groups */
    size_t leasts_room;
    bool was_short;
};

struct packer *pack_create(void)
{
    return calloc(1, sizeof(struct packer));
}

void pack_rest(struct packer *p)
{
    ZSTD_freeCCtx(p->compress);
    ZSTD_freeDCtx(p->expand);
    free(p->values);
    free(p->bytes);
    free(p->leasts);
    *p = (struct packer){0};
}

void pack_destroy(struct packer *p)
{
    if (!p)
        return;
    pack_rest(p);
    free(p);
}

static bool make_room(void **memory, size_t *room, size_t wanted)
{
    if (wanted <= *room)
        return true;
    void *more = realloc(*memory, wanted);
    if (!more)
        return false;
    *memory = more;
    *room = wanted;
    return true;
}

static bool values_room(struct packer *p, size_t n)
{
    return make_room((void **)&p->values, &p->values_room, (n + GROUP) * sizeof p->values[0]);
}

static bool bytes_room(struct packer *p, size_t n)
{
    return make_room((void **)&p->bytes, &p->bytes_room, n + SLACK);
}

static size_t groups_of(size_t n)
{
    return (n + GROUP - 1) / GROUP;
}

/* ---- encoding ---- */

static uint8_t *put_varint(uint8_t *at, uint64_t v)
{
    for (; v >= 0x80; v >>= 7)
        *at++ = (uint8_t)(v | 0x80);
    *at++ = (uint8_t)v;
    return at;
}

static uint64_t zigzag(int64_t v)
{
    return (uint64_t)v << 1 ^ (v < 0 ? UINT64_MAX : 0);
}

/* Copies the values with every gap filled by what stood before it (the first by what comes
 * after); writes the gaps as runs. */
static uint8_t *fill_gaps(struct packer *p, const int32_t *values, size_t n, uint8_t *at)
{
    size_t behind = 0; /* of the run before */
    int32_t last = 0;
    for (size_t i = n; i-- > 0;)
        last = values[i] != PACK_NOTHING ? values[i] : last;
    for (size_t i = 0; i < n;) {
        if (values[i] != PACK_NOTHING) {
            p->values[i] = last = values[i];
            i++;
            continue;
        }
        size_t from = i;
        for (; i < n && values[i] == PACK_NOTHING; i++)
            p->values[i] = last;
        at = put_varint(at, i - from);
        at = put_varint(at, from - behind);
        behind = i;
    }
    return at;
}

static uint8_t *put_gaps(struct packer *p, const int32_t *values, size_t n, uint8_t *at)
{
    bool gaps = false;
    for (size_t i = 0; i < n; i++)
        gaps |= values[i] == PACK_NOTHING;
    if (gaps)
        at = fill_gaps(p, values, n, at);
    else if (n > 0)
        memcpy(p->values, values, n * sizeof *values);
    for (size_t i = n; i < groups_of(n) * GROUP; i++)
        p->values[i] = p->values[n - 1];
    return put_varint(at, 0);
}

struct range {
    int32_t least, most;
};

static struct range range_of(const int32_t *group)
{
    struct range r = {group[0], group[0]};
    for (int i = 0; i < GROUP;
         i++) { /* all of them: a round number is done several at a time */
        r.least = group[i] < r.least ? group[i] : r.least;
        r.most = group[i] > r.most ? group[i] : r.most;
    }
    return r;
}

/* every value of the group a multiple of 10^decimals? */
static bool divides(const int32_t *group, int decimals)
{
    int32_t rest = 0, differ = 0;
    for (int i = 0; i < GROUP; i++)
        differ |= group[i] ^ group[0];
    if (!differ)
        return group[0] % power_of_ten[decimals] == 0;
    switch (decimals) { /* a constant divisor is a multiplication */
    case 0: return true;
    case 1:
        for (int i = 0; i < GROUP; i++)
            rest |= group[i] % 10;
        break;
    case 2:
        for (int i = 0; i < GROUP; i++)
            rest |= group[i] % 100;
        break;
    default:
        for (int i = 0; i < GROUP; i++)
            rest |= group[i] % 1000;
        break;
    }
    return rest == 0;
}

static int find_decimals(const int32_t *values, size_t groups)
{
    int decimals = DECIMALS_MOST;
    for (size_t g = 0; g < groups && decimals > 0; g++) {
        const int32_t *group = values + g * GROUP;
        while (!divides(group, decimals))
            decimals--;
    }
    return decimals;
}

static unsigned width_of(uint32_t v)
{
    return v ? 32U - (unsigned)__builtin_clz(v) : 0U;
}

/* GROUP values of that width take 8 bytes a bit */
static uint8_t *put_bits(uint8_t *at, const int32_t *group, int32_t least, unsigned width,
                         int decimals)
{
    uint64_t word = 0;
    unsigned have = 0;
    const uint32_t factor = inverse_of_five[decimals];
    for (int i = 0; i < GROUP; i++) {
        uint32_t v = (((uint32_t)group[i] - (uint32_t)least) >> decimals) * factor;
        word |= (uint64_t)v << have;
        have += width;
        if (have >= 64) {
            uint64_t little = htole64(word);
            memcpy(at, &little, sizeof little);
            at += sizeof little;
            have -= 64;
            word = have ? v >> (width - have) : 0;
        }
    }
    return at;
}

static uint8_t *put_groups(const struct packer *p, size_t groups, int decimals, uint8_t *widths)
{
    uint8_t *at = widths + groups;
    int32_t last = 0;
    for (size_t g = 0; g < groups; g++) {
        struct range r = range_of(p->values + g * GROUP);
        widths[g] = (uint8_t)width_of((((uint32_t)r.most - (uint32_t)r.least) >> decimals) *
                                      inverse_of_five[decimals]);
        at = put_varint(at, zigzag(((int64_t)r.least - last) / power_of_ten[decimals]));
        last = p->leasts[g] = r.least;
    }
    for (size_t g = 0; g < groups; g++)
        if (widths[g] > 0)
            at = put_bits(at, p->values + g * GROUP, p->leasts[g], widths[g], decimals);
    return at;
}

static bool awake(struct packer *p)
{
    if (!p->compress)
        p->compress = ZSTD_createCCtx();
    return p->compress &&
           !ZSTD_isError(ZSTD_CCtx_setParameter(p->compress, ZSTD_c_checksumFlag, 1));
}

static void put_result(struct packer *p, size_t length, int level, struct codec_out *out)
{
    size_t bound = ZSTD_compressBound(length), done = 0;
    uint8_t *room = awake(p) ? malloc(bound) : NULL;
    if (!room) {
        out->failed = true;
        return;
    }
    ZSTD_CCtx_setParameter(p->compress, ZSTD_c_compressionLevel, level);
    done = ZSTD_compress2(p->compress, room, bound, p->bytes, length);
    bool smaller = !ZSTD_isError(done) && done < length;
    const uint8_t *bytes = smaller ? room : p->bytes;
    codec_put_u8(out, smaller ? METHOD_ZSTD : METHOD_PLAIN);
    codec_put_bytes(out, bytes, smaller ? done : length);
    free(room);
}

void pack_encode(struct packer *p, const int32_t *values, size_t n, int level,
                 struct codec_out *out)
{
    size_t groups = groups_of(n);
    /* at the worst: runs of every second value, five bytes a least value, whole words */
    if (n > PACK_MOST || !values_room(p, n) ||
        !bytes_room(p, 32 + n * 4 + groups * (6 + 256)) ||
        !make_room((void **)&p->leasts, &p->leasts_room, groups * sizeof p->leasts[0])) {
        out->failed = true;
        return;
    }
    uint8_t *at = put_varint(p->bytes, n);
    uint8_t *decimals = at++;
    at = put_gaps(p, values, n, at);
    *decimals = (uint8_t)find_decimals(p->values, groups);
    at = put_groups(p, groups, *decimals, at);
    put_result(p, (size_t)(at - p->bytes), level, out);
}

/* ---- decoding ---- */

static void get_bits(const uint8_t *from, int32_t *group, int32_t least, unsigned width,
                     uint32_t scale)
{
    const uint64_t mask = (UINT64_C(1) << width) - 1;
    for (unsigned i = 0; i < GROUP; i++) {
        uint64_t word;
        memcpy(&word, from + (i * width >> 3), sizeof word);
        uint64_t v = le64toh(word) >> (i * width & 7) & mask;
        group[i] = (int32_t)((uint32_t)least + (uint32_t)v * scale);
    }
}

/* least values and bits; the widths stand before */
static bool get_groups(struct packer *p, struct codec_in *in, size_t groups, int decimals)
{
    const uint8_t *widths = in->at;
    if ((size_t)(in->end - in->at) < groups)
        return false;
    in->at += groups;
    size_t bits = 0;
    int64_t least = 0;
    for (size_t g = 0; g < groups; g++) {
        uint64_t z = codec_get_varint(in);
        least += ((int64_t)(z >> 1) ^ -(int64_t)(z & 1)) * power_of_ten[decimals];
        if (least < INT32_MIN || least > INT32_MAX || widths[g] > 32)
            return false;
        p->values[g * GROUP] = (int32_t)least;
        bits += widths[g];
    }
    if (in->failed || (size_t)(in->end - in->at) != bits * 8)
        return false;
    for (size_t g = 0; g < groups; g++) {
        int32_t *group = p->values + g * GROUP;
        if (widths[g] == 0) {
            for (int i = 1; i < GROUP; i++)
                group[i] = group[0];
            continue;
        }
        get_bits(in->at, group, group[0], widths[g], (uint32_t)power_of_ten[decimals]);
        in->at += (size_t)widths[g] * 8;
    }
    return true;
}

/* the runs are passed over first, as the values are not there yet, and punched out at the end
 */
static bool punch_gaps(int32_t *values, struct codec_in runs, size_t n)
{
    size_t behind = 0;
    for (uint64_t run; (run = codec_get_varint(&runs)) != 0;) {
        uint64_t skip = codec_get_varint(&runs);
        if (runs.failed || skip > n - behind || run > n - behind - skip)
            return false;
        behind += skip;
        for (uint64_t i = 0; i < run; i++)
            values[behind + i] = PACK_NOTHING;
        behind += run;
    }
    return !runs.failed;
}

static bool pass_gaps(struct codec_in *in)
{
    while (codec_get_varint(in) != 0)
        codec_get_varint(in);
    return !in->failed;
}

/* for the decoder: that memory is short is no damage */
static bool expander(struct packer *p)
{
    if (!p->expand)
        p->expand = ZSTD_createDCtx();
    p->was_short = !p->expand;
    return !p->was_short;
}

static bool has_room(struct packer *p, bool there)
{
    p->was_short = !there;
    return there;
}

static bool expand(struct packer *p, const uint8_t *bytes, size_t length, struct codec_in *in)
{
    if (length < 2 || (bytes[0] != METHOD_PLAIN && bytes[0] != METHOD_ZSTD))
        return false;
    size_t size = length - 1;
    if (bytes[0] == METHOD_ZSTD) {
        unsigned long long said = ZSTD_getFrameContentSize(bytes + 1, length - 1);
        if (said == ZSTD_CONTENTSIZE_UNKNOWN || said == ZSTD_CONTENTSIZE_ERROR ||
            said > PACK_MOST * 10 || !has_room(p, bytes_room(p, (size_t)said)) || !expander(p))
            return false;
        size = ZSTD_decompressDCtx(p->expand, p->bytes, (size_t)said, bytes + 1, length - 1);
        if (ZSTD_isError(size) || size != (size_t)said)
            return false;
    } else {
        if (!has_room(p, bytes_room(p, size)))
            return false;
        memcpy(p->bytes, bytes + 1, size);
    }
    *in = (struct codec_in){.at = p->bytes, .end = p->bytes + size};
    return true;
}

bool pack_decode(struct packer *p, const uint8_t *bytes, size_t length, const int32_t **values,
                 size_t *n)
{
    struct codec_in in;
    p->was_short = false;
    if (!expand(p, bytes, length, &in))
        return false;
    uint64_t count = codec_get_varint(&in);
    uint8_t decimals = codec_get_u8(&in);
    if (in.failed || count > PACK_MOST || decimals > DECIMALS_MOST ||
        !has_room(p, values_room(p, count)))
        return false;
    struct codec_in runs = in;
    if (!pass_gaps(&in) || !get_groups(p, &in, groups_of(count), decimals) ||
        !punch_gaps(p->values, runs, count))
        return false;
    *values = p->values;
    *n = count;
    return true;
}

bool pack_was_short(const struct packer *p)
{
    return p->was_short;
}

/* ---- times ---- */

bool pack_encode_times(struct packer *p, const int64_t *times, size_t n, int level,
                       struct codec_out *out)
{
    int32_t *steps = malloc((n + 1) * sizeof *steps);
    bool ok = steps && n > 0;
    for (size_t i = 1; ok && i < n; i++) {
        int64_t step = times[i] - times[i - 1];
        ok = step > INT32_MIN && step <= INT32_MAX;
        steps[i - 1] = (int32_t)step;
    }
    if (ok) {
        codec_put_i64(out, times[0]);
        pack_encode(p, steps, n - 1, level, out);
    }
    free(steps);
    return ok && !out->failed;
}

bool pack_decode_times(struct packer *p, const uint8_t *bytes, size_t length, int64_t **times,
                       size_t *n)
{
    struct codec_in in = {.at = bytes, .end = bytes + length};
    const int32_t *steps;
    size_t count;
    int64_t t = codec_get_i64(&in);
    p->was_short = false;
    if (in.failed || !pack_decode(p, in.at, (size_t)(in.end - in.at), &steps, &count))
        return false;
    int64_t *all = malloc((count + 1) * sizeof *all);
    p->was_short = !all;
    if (!all)
        return false;
    all[0] = t;
    for (size_t i = 0; i < count; i++) {
        if (steps[i] == PACK_NOTHING || __builtin_add_overflow(t, steps[i], &t)) {
            free(all);
            return false;
        }
        all[i + 1] = t;
    }
    *times = all;
    *n = count + 1;
    return true;
}
