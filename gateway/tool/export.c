/* foretrip export: readings as CSV of the contract, which a replay reads back without loss. */
#include "record.h"
#include "verbs.h"

#include "base/text.h"
#include "drivers/recorded.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AT_ONCE 65536 /* bytes in one write */

struct export
{
    const struct site *site;
    char **columns;
    size_t *places; /* of each column in a frame */
    size_t count;
    struct frame *frame;
    struct text row;
    FILE *file;
    const char *name;
    bool failed;
    int strangers; /* columns that the site does not have any more */
};

static bool take_column(void *context, const char *column)
{
    struct export *e = context;
    int index = frame_find_column(e->site, column, strlen(column), NULL);
    if (index < 0) {
        e->strangers++;
        return true;
    }
    char **columns = realloc(e->columns, (e->count + 1) * sizeof *columns);
    if (columns)
        e->columns = columns;
    size_t *places = columns ? realloc(e->places, (e->count + 1) * sizeof *places) : NULL;
    if (places)
        e->places = places;
    char *name = places ? strdup(column) : NULL;
    if (!name) {
        e->failed = true;
        return false;
    }
    e->columns[e->count] = name;
    e->places[e->count++] = (size_t)index;
    return true;
}

static bool write_out(struct export *e)
{
    if (!e->failed && e->row.length > 0)
        e->failed =
            e->row.failed || fwrite(e->row.bytes, 1, e->row.length, e->file) != e->row.length;
    text_clear(&e->row);
    return !e->failed;
}

static bool write_row(void *context, int64_t wall_ms, const float *values)
{
    struct export *e = context;
    e->frame->wall_ms = wall_ms;
    for (size_t i = 0; i < e->count; i++)
        e->frame->values[e->places[i]] = values[i];
    recorded_write_row(&e->row, e->frame, e->places, e->count);
    return e->row.length < AT_ONCE || write_out(e);
}

static bool write_all(struct export *e, struct record *r, const char *path)
{
    bool standard = !path || strcmp(path, "-") == 0;
    e->name = standard ? "standard output" : path;
    e->file = standard ? stdout : fopen(path, "we");
    e->failed = e->file == NULL;
    recorded_write_header(&e->row, e->site, e->places, e->count);
    enum store_err err = STORE_OK;
    if (!e->failed)
        err = history_rows(r->reader, (const char *const *)e->columns, e->count, r->from, r->to,
                           write_row, e);
    write_out(e);
    if (e->file && (standard ? fflush(e->file) : fclose(e->file)) != 0)
        e->failed = true;
    if (e->failed)
        fprintf(stderr, "foretrip export: %s: %s\n", e->name, strerror(errno));
    return record_ok(r, "export", err) && !e->failed;
}

enum exit_code verb_export(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS + 1];
    const char *path = NULL;
    struct record r;
    record_option_rows(&o, rows);
    rows[RECORD_OPTIONS] = (struct option_row){.name = "readings", .value = &path};
    if (!options_take(rows, RECORD_OPTIONS + 1, argc, argv))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "export", &o);
    if (code != EXIT_GOOD)
        return code;
    struct export e = {.site = &r.config.site, .frame = frame_create(&r.config.site)};
    enum store_err err = history_columns(r.reader, take_column, &e);
    bool good = record_ok(&r, "export", err) && e.frame && !e.failed && write_all(&e, &r, path);
    if (e.strangers > 0)
        fprintf(
            stderr,
            "foretrip export: %d columns of circuits that site.cfg does not have any more are "
            "left out\n",
            e.strangers);
    for (size_t i = 0; i < e.count; i++)
        free(e.columns[i]);
    free(e.columns);
    free(e.places);
    frame_destroy(e.frame);
    text_free(&e.row);
    record_close(&r);
    return good ? EXIT_GOOD : EXIT_BAD;
}
