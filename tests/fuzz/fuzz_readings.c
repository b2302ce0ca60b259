/* The readings of strangers: no bytes may crash the reader, and every way of reading them, in
 * whatever pieces they come, gives the same frames and the same complaint as the plain one. */
#include "drivers/recorded.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define ROWS 7
#define ROOM 128 /* so that lines outgrow it */

struct memory {
    const uint8_t *at;
    size_t left, piece;
};

static ptrdiff_t read_memory(void *context, char *out, size_t capacity)
{
    struct memory *m = context;
    size_t n = m->left < m->piece ? m->left : m->piece;
    n = n < capacity ? n : capacity;
    if (n > 0)
        memcpy(out, m->at, n);
    m->at += n;
    m->left -= n;
    return (ptrdiff_t)n;
}

static void make_site(struct site *s)
{
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "m");
    for (int i = 0; i < 3; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "m-%d", i);
        c->panel = 0;
        c->poles = 1 + i % 2;
    }
    site_finish(s);
}

static void play(const struct site *s, const uint8_t *data, size_t size, size_t piece,
                 const struct cells_way *way, struct text *out)
{
    struct memory m = {data, size, piece};
    struct recorded_input input = {"r", read_memory, &m, way, ROOM};
    struct recorded *r = recorded_create(s, &input, out);
    struct frame *frames[ROWS];
    if (!r)
        return;
    for (int i = 0; i < ROWS; i++)
        if (!(frames[i] = frame_create(s)))
            abort();
    for (size_t n; (n = recorded_read(r, frames, ROWS)) > 0;)
        for (size_t k = 0; k < n; k++) {
            const struct frame *f = frames[k];
            text_append_bytes(out, &f->mono_ms, sizeof f->mono_ms);
            text_append_bytes(out, &f->wall_ms, sizeof f->wall_ms);
            for (size_t i = 0; i < f->count; i++) {
                bool is_number = f->values[i] == f->values[i];
                text_append(out, is_number ? "=" : "-");
                if (is_number)
                    text_append_bytes(out, &f->values[i], sizeof f->values[i]);
            }
        }
    struct recorded_counts counts;
    recorded_counts(r, &counts);
    text_printf(out, "%llu %llu %llu %s ", (unsigned long long)counts.rows,
                (unsigned long long)counts.readings, (unsigned long long)counts.refused,
                counts.first_refused);
    text_append(out, recorded_problem(r));
    for (int i = 0; i < ROWS; i++)
        frame_destroy(frames[i]);
    recorded_close(r);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const size_t pieces[] = {SIZE_MAX, 13, 1};
    const struct cells_way *ways[CELLS_MOST_WAYS];
    struct site s;
    struct text first = TEXT_INIT, next = TEXT_INIT;
    make_site(&s);
    size_t count = cells_ways(ways);
    play(&s, data, size, SIZE_MAX, ways[0], &first);
    for (size_t k = 0; k < count; k++) {
        text_clear(&next);
        play(&s, data, size, pieces[k % 3], ways[k], &next);
        if (first.length != next.length ||
            (first.length > 0 && memcmp(first.bytes, next.bytes, first.length) != 0))
            abort();
    }
    text_free(&first);
    text_free(&next);
    site_free(&s);
    return 0;
}
