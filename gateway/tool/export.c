/*
 * foretrip export - the readings of a record as CSV, in the form that replay reads.
 *
 * Goes through the record in windows of time, so that a year needs no more memory than an hour.
 * Each column is read by itself; within a window its readings are put into the rows of the same
 * moment.
 */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "base/clock.h"
#include "drivers/recorded.h"
#include "store/reader.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WINDOW_MS 1800000

struct window {
    const struct site *site;
    size_t columns; /* of a frame */
    struct frame **rows;
    size_t count, capacity;
    size_t column, at; /* the column that is being read, and the row where its next one goes */
    bool failed;       /* memory was short */
};

/* Makes room for a row at index `at`; the frame there is empty. */
static bool insert_row(struct window *w, size_t at, int64_t wall_ms)
{
    if (w->count == w->capacity) {
        size_t capacity = w->capacity ? 2 * w->capacity : 4096;
        struct frame **grown = realloc(w->rows, capacity * sizeof *grown);
        if (!grown)
            return false;
        memset(grown + w->capacity, 0, (capacity - w->capacity) * sizeof *grown);
        w->rows = grown;
        w->capacity = capacity;
    }
    struct frame *f = w->rows[w->count]; /* one left from the window before, or none */
    if (!f && !(f = frame_create(w->site)))
        return false;
    memmove(&w->rows[at + 1], &w->rows[at], (w->count - at) * sizeof *w->rows);
    frame_clear(f);
    f->wall_ms = wall_ms;
    w->rows[at] = f;
    w->count++;
    return true;
}

static bool take_reading(void *context, int64_t wall_ms, double value)
{
    struct window *w = context;
    while (w->at < w->count && w->rows[w->at]->wall_ms < wall_ms)
        w->at++;
    bool there = w->at < w->count && w->rows[w->at]->wall_ms == wall_ms;
    if (!there && !insert_row(w, w->at, wall_ms)) {
        w->failed = true;
        return false;
    }
    w->rows[w->at++]->values[w->column] = (float)value;
    return true;
}

static enum store_err read_column(struct window *w, struct store_reader *r, size_t column,
                                  int64_t from_ms, int64_t to_ms)
{
    char name[SITE_ID_SIZE + 16];
    frame_column_name(w->site, column, name, sizeof name);
    w->column = column;
    w->at = 0;
    return store_read_span(r, name, from_ms, to_ms, take_reading, w);
}

static bool take_first(void *context, int64_t wall_ms, double value)
{
    int64_t *first_ms = context;
    if (isnan(value))
        return true;
    if (wall_ms < *first_ms)
        *first_ms = wall_ms;
    return false;
}

/* The columns that hold anything from..to, and when the first of it was. */
static enum store_err find_columns(const struct site *s, struct store_reader *r,
                                   int64_t from_ms, int64_t to_ms, size_t *columns,
                                   size_t *count, int64_t *first_ms)
{
    *first_ms = INT64_MAX;
    *count = 0;
    for (size_t i = 0; i < frame_count(s); i++) {
        char name[SITE_ID_SIZE + 16];
        int64_t first = INT64_MAX;
        frame_column_name(s, i, name, sizeof name);
        enum store_err err = store_read_span(r, name, from_ms, to_ms, take_first, &first);
        if (err)
            return err;
        if (first < INT64_MAX)
            columns[(*count)++] = i;
        if (first < *first_ms)
            *first_ms = first;
    }
    return STORE_OK;
}

static enum store_err write_window(struct window *w, struct store_reader *r,
                                   const size_t *columns, size_t count, int64_t from_ms,
                                   int64_t to_ms, FILE *out)
{
    struct text text = TEXT_INIT;
    w->count = 0;
    for (size_t i = 0; i < count && !w->failed; i++) {
        enum store_err err = read_column(w, r, columns[i], from_ms, to_ms);
        if (err)
            return err;
    }
    for (size_t i = 0; i < w->count && !w->failed; i++) {
        text_clear(&text);
        recorded_write_row(&text, w->rows[i], columns, count);
        fwrite(text.bytes, 1, text.length, out);
    }
    bool failed = w->failed || text.failed;
    text_free(&text);
    return failed ? STORE_ERR_MEMORY : STORE_OK;
}

static enum store_err write_rows(const struct site *s, struct store_reader *r, int64_t from_ms,
                                 int64_t to_ms, FILE *out)
{
    struct window w = {.site = s};
    struct text header = TEXT_INIT;
    size_t count = 0, *columns = calloc(frame_count(s) + 1, sizeof *columns);
    size_t *left = calloc(frame_count(s) + 1, sizeof *left), still;
    int64_t at_ms = from_ms;
    enum store_err err = columns && left ? STORE_OK : STORE_ERR_MEMORY;
    if (!err)
        err = find_columns(s, r, from_ms, to_ms, columns, &count, &at_ms);
    recorded_write_header(&header, s, columns, count);
    fputs(text_get(&header), out);
    while (!err && at_ms <= to_ms && !ferror(out)) {
        int64_t end_ms = to_ms - at_ms < WINDOW_MS ? to_ms : at_ms + WINDOW_MS - 1;
        err = write_window(&w, r, columns, count, at_ms, end_ms, out);
        at_ms = end_ms < to_ms ? end_ms + 1 : INT64_MAX;
        if (!err && w.count == 0 && end_ms < to_ms) /* a year without readings is one step */
            err = find_columns(s, r, end_ms + 1, to_ms, left, &still, &at_ms);
    }
    for (size_t i = 0; i < w.capacity; i++)
        frame_destroy(w.rows[i]);
    free(w.rows);
    free(columns);
    free(left);
    text_free(&header);
    return err;
}

static enum exit_code export_readings(const struct site *s, const char *database,
                                      const char *path, int64_t from_ms, int64_t to_ms)
{
    bool standard = strcmp(path, "-") == 0;
    struct store_reader *r = store_reader_open(database);
    FILE *out = standard ? stdout : fopen(path, "we");
    enum store_err err = STORE_ERR_MEMORY;
    if (!out)
        fprintf(stderr, "foretrip export: %s: %s\n", path, strerror(errno));
    if (r && out)
        err = write_rows(s, r, from_ms, to_ms, out);
    if (out && err)
        fprintf(stderr, "foretrip export: %s: %s\n", database, store_strerror(err));
    store_reader_close(r);
    if (!out)
        return EXIT_BAD;
    bool failed = ferror(out) != 0;
    if ((standard ? fflush(out) : fclose(out)) != 0 || failed) {
        fprintf(stderr, "foretrip export: %s: %s\n", standard ? "standard output" : path,
                strerror(errno));
        return EXIT_BAD;
    }
    return err ? EXIT_BAD : EXIT_GOOD;
}

static bool parse_moment(const char *option, const char *text, int64_t *wall_ms)
{
    if (!text || clock_parse(text, strlen(text), wall_ms))
        return true;
    fprintf(stderr, "foretrip export: --%s: \"%s\" is neither RFC 3339 nor Unix seconds\n",
            option, text);
    return false;
}

enum exit_code verb_export(int argc, char **argv)
{
    const char *directory = NULL, *database = NULL, *readings = "-", *from = NULL, *to = NULL;
    const struct option_row rows[] = {
        {.name = "config", .value = &directory, .needed = true},
        {.name = "database", .value = &database, .needed = true},
        {.name = "readings", .value = &readings},
        {.name = "from", .value = &from},
        {.name = "to", .value = &to},
    };
    int64_t from_ms = 0, to_ms = INT64_MAX / 2;
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv) ||
        !parse_moment("from", from, &from_ms) || !parse_moment("to", to, &to_ms))
        return EXIT_USAGE;
    struct config c;
    if (!open_config(&c, directory))
        return EXIT_BAD;
    enum exit_code rc = export_readings(&c.site, database, readings, from_ms, to_ms);
    config_free(&c);
    return rc;
}
