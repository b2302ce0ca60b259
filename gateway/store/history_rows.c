/* The rows of history.h: all columns of a moment together, for an export. */
#include "history.h"

#include "block.h"
#include "pile.h"
#include "reader_parts.h"

#include <math.h>
#include <stdlib.h>

struct rows {
    struct shelf *shelf;
    const char *const *columns;
    int64_t *channels;
    double *scales;
    float *values;
    size_t count;
    int64_t from, to;
    history_row_fn *fn;
    void *context;
    bool enough;
};

/* column i of the request is channel i + 1 of the pile */
static int add_piece(const struct rows *q, enum shelf_table table, int64_t period,
                     struct pile *pile)
{
    int64_t *times = NULL;
    size_t n = 0;
    int rc = shelf_times(q->shelf, table, period, &times, &n);
    if (rc != SQLITE_ROW)
        return rc;
    size_t row = pile_add_rows(pile, times, n);
    free(times);
    for (size_t i = 0; i < q->count; i++) {
        const int32_t *values;
        size_t found;
        if (q->channels[i] == 0)
            continue;
        rc = shelf_values(q->shelf, table, shelf_key(period, q->channels[i]), &values, &found);
        if (rc == SQLITE_ROW && found != n)
            rc = SHELF_DAMAGED;
        if (rc == SQLITE_ROW)
            pile_set(pile, (int64_t)i + 1, row, values, n, 1);
        else if (rc != SQLITE_DONE)
            return rc;
    }
    return SQLITE_ROW;
}

struct tail {
    const struct rows *q;
    struct pile *pile;
    int64_t from, before;
};

static bool take_tail(void *context, const struct shelf_block *b, int *rc)
{
    const struct tail *t = context;
    int64_t times[BLOCK_ROWS];
    int32_t *matrix;
    size_t rows, width = 4 * b->poles + 3 * b->panels, from = 0, to;
    if (!block_read_all(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels, times,
                        &matrix, &rows)) {
        *rc = SHELF_DAMAGED;
        return false;
    }
    while (from < rows && times[from] < t->from)
        from++;
    for (to = from; to < rows && times[to] < t->before;)
        to++;
    size_t row = pile_add_rows(t->pile, times + from, to - from);
    for (size_t i = 0; to > from && i < t->q->count; i++) {
        int64_t line = shelf_find_line(b->columns, t->q->columns[i]);
        if (line >= 0 && (size_t)line < width)
            pile_set(t->pile, (int64_t)i + 1, row, matrix + from * width + line, to - from,
                     width);
    }
    free(matrix);
    return true;
}

static void give(struct rows *q, const struct pile *pile)
{
    for (size_t r = 0; r < pile->rows && !q->enough; r++) {
        if (pile->times[r] < q->from || pile->times[r] > q->to)
            continue;
        for (size_t i = 0; i < q->count; i++)
            q->values[i] = (float)NAN;
        for (size_t c = 0; c < pile->count; c++) {
            size_t i = (size_t)pile->columns[c].channel - 1;
            int32_t v = pile->columns[c].values[r];
            if (v != PACK_NOTHING)
                q->values[i] = (float)(v / q->scales[i]);
        }
        q->enough = !q->fn(q->context, pile->times[r], q->values);
    }
}

static int give_day(struct rows *q, int64_t day)
{
    struct pile pile;
    struct tail t = {q, &pile, day * SUMMARY_DAY_MS, (day + 1) * SUMMARY_DAY_MS};
    pile_init(&pile);
    int rc = add_piece(q, SHELF_DAYS, day, &pile);
    if (rc == SQLITE_DONE)
        rc = add_piece(q, SHELF_FROZEN, day, &pile);
    /* hours whose rows stand in the day already: half of its channels are packed so far */
    bool packing = rc == SQLITE_ROW;
    for (int64_t h = day * 24; h < day * 24 + 24 && (rc == SQLITE_ROW || rc == SQLITE_DONE);
         h++) {
        if (!packing) {
            rc = add_piece(q, SHELF_HOURS, h, &pile);
            continue;
        }
        struct pile hour;
        pile_init(&hour);
        rc = add_piece(q, SHELF_HOURS, h, &hour);
        size_t row = 0;
        while (hour.rows > 0 && row < pile.rows && pile.times[row] < hour.times[0])
            row++;
        for (size_t c = 0; c < hour.count; c++)
            pile_set(&pile, hour.columns[c].channel, row, hour.columns[c].values, hour.rows, 1);
        hour.failed |= pile.failed;
        pile_free(&hour);
    }
    if (rc == SQLITE_ROW || rc == SQLITE_DONE)
        rc = shelf_tail(q->shelf, t.from - BLOCK_SPAN_MS, t.before, take_tail, &t);
    pile_sort(&pile);
    if (rc == SQLITE_OK && pile.failed)
        rc = SQLITE_NOMEM;
    if (rc == SQLITE_OK)
        give(q, &pile);
    pile_free(&pile);
    return rc;
}

static int prepare(struct rows *q)
{
    int rc = SQLITE_OK;
    q->channels = calloc(q->count + 1, sizeof q->channels[0]);
    q->scales = calloc(q->count + 1, sizeof q->scales[0]);
    q->values = calloc(q->count + 1, sizeof q->values[0]);
    if (!q->channels || !q->scales || !q->values)
        return SQLITE_NOMEM;
    for (size_t i = 0; i < q->count && rc == SQLITE_OK; i++) {
        q->scales[i] = block_column_scale(q->columns[i]);
        rc = shelf_channel(q->shelf, q->columns[i], &q->channels[i]);
    }
    return rc;
}

enum store_err history_rows(struct store_reader *r, const char *const *columns, size_t count,
                            int64_t from_wall_ms, int64_t to_wall_ms, history_row_fn *fn,
                            void *context)
{
    struct rows q = {.columns = columns,
                     .count = count,
                     .from = from_wall_ms,
                     .to = to_wall_ms,
                     .fn = fn,
                     .context = context};
    int64_t day = from_wall_ms > 0 ? from_wall_ms / SUMMARY_DAY_MS - 1 : -1;
    enum store_err err = reader_enter(r, &q.shelf);
    if (err)
        return err;
    int rc = prepare(&q);
    while (rc == SQLITE_OK && !q.enough) {
        rc = reader_next_day(q.shelf, day, &day);
        if (rc != SQLITE_OK || day > to_wall_ms / SUMMARY_DAY_MS)
            break;
        rc = give_day(&q, day);
    }
    free(q.channels);
    free(q.scales);
    free(q.values);
    return reader_leave(r, rc);
}
