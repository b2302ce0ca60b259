#include "pile.h"

#include <stdlib.h>
#include <string.h>

void pile_init(struct pile *p)
{
    *p = (struct pile){0};
}

void pile_free(struct pile *p)
{
    for (size_t i = 0; i < p->count; i++)
        free(p->columns[i].values);
    free(p->columns);
    free(p->times);
    *p = (struct pile){0};
}

static bool grow(struct pile *p, size_t rows)
{
    size_t room = p->room ? p->room : 4096;
    if (rows <= p->room)
        return true;
    while (room < rows)
        room *= 2;
    int64_t *times = realloc(p->times, room * sizeof *times);
    if (!times)
        return false;
    p->times = times;
    for (size_t i = 0; i < p->count; i++) {
        int32_t *values = realloc(p->columns[i].values, room * sizeof *values);
        if (!values)
            return false;
        p->columns[i].values = values;
    }
    p->room = room;
    return true;
}

size_t pile_add_rows(struct pile *p, const int64_t *times, size_t n)
{
    size_t row = p->rows;
    if (p->failed || !grow(p, row + n)) {
        p->failed = true;
        return row;
    }
    memcpy(p->times + row, times, n * sizeof *times);
    p->rows += n;
    return row;
}

/* the channel's column; channels come in the same order each time, so the search is short */
static struct pile_column *column_of(struct pile *p, int64_t channel)
{
    size_t low = 0, high = p->count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (p->columns[middle].channel < channel)
            low = middle + 1;
        else
            high = middle;
    }
    if (low < p->count && p->columns[low].channel == channel)
        return &p->columns[low];
    struct pile_column *columns = realloc(p->columns, (p->count + 1) * sizeof *columns);
    if (columns)
        p->columns = columns;
    int32_t *values = columns ? malloc(p->room * sizeof *values) : NULL;
    if (!values) {
        p->failed = true;
        return NULL;
    }
    memmove(columns + low + 1, columns + low, (p->count - low) * sizeof *columns);
    p->count++;
    columns[low] = (struct pile_column){.channel = channel, .values = values};
    return &columns[low];
}

static void fill(struct pile_column *c, size_t rows)
{
    while (c->filled < rows)
        c->values[c->filled++] = PACK_NOTHING;
}

void pile_set(struct pile *p, int64_t channel, size_t row, const int32_t *values, size_t n,
              size_t stride)
{
    bool any = false;
    for (size_t i = 0; i < n && !any; i++)
        any = values[i * stride] != PACK_NOTHING;
    struct pile_column *c = any && !p->failed ? column_of(p, channel) : NULL;
    if (!c)
        return;
    fill(c, row);
    for (size_t i = 0; i < n; i++)
        c->values[row + i] = values[i * stride];
    c->filled = row + n;
}

struct place {
    int64_t time;
    size_t row;
};

static int by_time(const void *a, const void *b)
{
    const struct place *x = a, *y = b;
    if (x->time != y->time)
        return x->time < y->time ? -1 : 1;
    return (x->row > y->row) - (x->row < y->row);
}

static bool in_order(const struct pile *p)
{
    for (size_t i = 1; i < p->rows; i++)
        if (p->times[i] < p->times[i - 1])
            return false;
    return true;
}

void pile_sort(struct pile *p)
{
    for (size_t c = 0; c < p->count && !p->failed; c++)
        fill(&p->columns[c], p->rows);
    if (p->failed || in_order(p))
        return;
    struct place *places = malloc(p->rows * sizeof *places);
    int32_t *values = malloc(p->rows * sizeof *values);
    p->failed = !places || !values;
    for (size_t i = 0; !p->failed && i < p->rows; i++)
        places[i] = (struct place){p->times[i], i};
    if (!p->failed)
        qsort(places, p->rows, sizeof *places, by_time);
    for (size_t c = 0; !p->failed && c < p->count; c++) {
        int32_t *old = p->columns[c].values;
        for (size_t i = 0; i < p->rows; i++)
            values[i] = old[places[i].row];
        memcpy(old, values, p->rows * sizeof *values);
    }
    for (size_t i = 0; !p->failed && i < p->rows; i++)
        p->times[i] = places[i].time;
    free(places);
    free(values);
}
