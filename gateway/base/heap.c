#include "heap.h"

#include <malloc.h>
#include <stdlib.h>
#include <string.h>

#define LARGE_BYTES                                                                            \
    (16 * 1024)                /* a piece that gets pages to itself: an hour of a channel too */
#define TOP_BYTES (128 * 1024) /* that may lie free at the end of the heap */

void heap_begin(void)
{
    /* each setting also ends glibc's own adjusting of the bounds; refused, all stays as it was
     */
    (void)mallopt(M_ARENA_MAX, 1);
    (void)mallopt(M_MMAP_THRESHOLD, LARGE_BYTES);
    (void)mallopt(M_TRIM_THRESHOLD, TOP_BYTES);
}

void heap_give_back(int64_t mono_ms, int64_t *last_mono_ms)
{
    if (mono_ms - *last_mono_ms < HEAP_EVERY_MS)
        return;
    *last_mono_ms = mono_ms;
    malloc_trim(0);
}

void *heap_table(size_t count, size_t size)
{
    void *table = reallocarray(NULL, count, size);
    if (table) /* memset would be made a calloc of it */
        explicit_bzero(table, count * size);
    return table;
}
