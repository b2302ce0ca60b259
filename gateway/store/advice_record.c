#include "advice_record.h"

#include "base/clock.h"
#include "base/text.h"
#include "model/frame.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define COLUMN_SIZE ((size_t)2 * SITE_ID_SIZE)
#define HOLD_MS 5000 /* a reading holds so long */
#define LEAST_PROBABILITY 0.5
#define MOST_TRIPS 4096

struct advice_store {
    struct advice_record record;
    struct store_reader *reader;
    enum store_err err;
    uint8_t *learned;
    bool *measured;
    struct advice_run *runs;
    struct advice_trip *trips;
    struct advice_warning *warnings;
    size_t run_room, warning_room, trip_room;
};

/* room for one more, NULL when memory is short */
static void *grow(struct advice_store *a, void *list, size_t count, size_t *room, size_t size)
{
    if (count < *room)
        return list;
    size_t more = *room ? 2 * *room : 256;
    void *grown = realloc(list, more * size);
    if (!grown) {
        a->err = STORE_ERR_MEMORY;
        return NULL;
    }
    *room = more;
    return grown;
}

static int circuit_of(const struct advice_store *a, json_t *o)
{
    const char *id = json_string_value(json_object_get(o, "circuit"));
    int c = id ? site_find_circuit(a->record.site, id) : -1;
    return c >= 0 && a->record.site->circuits[c].feeds_panel < 0 ? c : -1;
}

/* ---- events ---- */

static bool add_run(struct advice_store *a, int circuit, json_t *o, int64_t wall_ms)
{
    struct advice_run *list = grow(a, a->runs, a->record.run_count, &a->run_room, sizeof *list);
    if (!list)
        return false;
    a->runs = list;
    struct advice_run *x = &list[a->record.run_count++];
    double seconds = json_number_value(json_object_get(o, "seconds"));
    const char *appliance = json_string_value(json_object_get(o, "appliance"));
    *x = (struct advice_run){.circuit = circuit,
                             .on_wall_ms = wall_ms - (int64_t)(1000.0 * seconds),
                             .off_wall_ms = wall_ms,
                             .amps = json_number_value(json_object_get(o, "amps"))};
    text_copy(x->appliance, sizeof x->appliance, appliance ? appliance : LOADS_UNKNOWN);
    return true;
}

static bool add_warning(struct advice_store *a, int circuit, int64_t wall_ms)
{
    struct advice_warning *list =
        grow(a, a->warnings, a->record.warning_count, &a->warning_room, sizeof *list);
    if (!list)
        return false;
    a->warnings = list;
    list[a->record.warning_count++] = (struct advice_warning){circuit, wall_ms};
    return true;
}

static bool is_word(json_t *o, const char *name, const char *word)
{
    const char *is = json_string_value(json_object_get(o, name));
    return is && strcmp(is, word) == 0;
}

static bool take_event(void *context, const struct store_event_row *row)
{
    struct advice_store *a = context;
    bool off = strcmp(row->type, "load_off") == 0, good = true;
    if (!off && strcmp(row->type, "alarm") != 0)
        return true;
    json_t *o = json_loads(row->json, 0, NULL);
    int circuit = o ? circuit_of(a, o) : -1;
    if (circuit >= 0 && off)
        good = add_run(a, circuit, o, row->wall_ms);
    else if (circuit >= 0 && is_word(o, "kind", "near_overload") &&
             is_word(o, "state", "unacknowledged"))
        good = add_warning(a, circuit, row->wall_ms);
    json_decref(o);
    return good;
}

static bool take_trip(void *context, const struct store_trip_row *row)
{
    struct advice_store *a = context;
    bool worn = strcmp(row->cause, "worn_breaker") == 0;
    int circuit = site_find_circuit(a->record.site, row->circuit);
    if (circuit < 0 || a->record.site->circuits[circuit].feeds_panel >= 0 ||
        strcmp(row->stage, "withdrawn") == 0 || row->probability < LEAST_PROBABILITY ||
        (!worn && strcmp(row->cause, "overload") != 0))
        return true;
    struct advice_trip *list =
        grow(a, a->trips, a->record.trip_count, &a->trip_room, sizeof *list);
    if (!list)
        return false;
    a->trips = list;
    struct advice_trip *t = &list[a->record.trip_count++];
    *t = (struct advice_trip){.circuit = circuit,
                              .opened_wall_ms = row->opened_wall_ms,
                              .restored_wall_ms = row->restored_wall_ms,
                              .worn = worn};
    text_copy(t->id, sizeof t->id, row->id);
    return true;
}

static int run_order(const void *a, const void *b)
{
    const struct advice_run *x = a, *y = b;
    return (x->on_wall_ms > y->on_wall_ms) - (x->on_wall_ms < y->on_wall_ms);
}

static int trip_order(const void *a, const void *b)
{
    const struct advice_trip *x = a, *y = b;
    return (x->opened_wall_ms > y->opened_wall_ms) - (x->opened_wall_ms < y->opened_wall_ms);
}

/* ---- readings ---- */

struct filling {
    int64_t from;
    size_t seconds;
    float *amps;
    int64_t last_wall_ms;
    double last;
};

/* the last reading, until the next or as long as it holds */
static void fill_to(struct filling *f, int64_t wall_ms)
{
    int64_t end = wall_ms < f->last_wall_ms + HOLD_MS ? wall_ms : f->last_wall_ms + HOLD_MS;
    if (isnan(f->last))
        return;
    for (int64_t s = (f->last_wall_ms - f->from + 999) / 1000; s * 1000 + f->from < end; s++)
        if (s >= 0 && (size_t)s < f->seconds)
            f->amps[s] = isnan(f->amps[s]) ? (float)f->last : fmaxf(f->amps[s], (float)f->last);
}

static bool take_reading(void *context, int64_t wall_ms, double value)
{
    struct filling *f = context;
    fill_to(f, wall_ms);
    f->last_wall_ms = wall_ms;
    f->last = value;
    return true;
}

static bool read_amps(void *context, int circuit, int64_t from_wall_ms, size_t seconds,
                      float *amps)
{
    struct advice_store *a = context;
    const struct site *s = a->record.site;
    const struct site_circuit *c = &s->circuits[circuit];
    int64_t to = from_wall_ms + (int64_t)seconds * 1000;
    for (size_t i = 0; i < seconds; i++)
        amps[i] = (float)NAN;
    for (int p = 0; p < c->poles && a->err == STORE_OK; p++) {
        char column[COLUMN_SIZE];
        struct filling f = {from_wall_ms, seconds, amps, 0, (double)NAN};
        frame_column_name(s, (size_t)FRAME_AMPS * s->poles_total + (size_t)(c->first_pole + p),
                          column, sizeof column);
        a->err =
            store_read_span(a->reader, column, from_wall_ms - HOLD_MS, to, take_reading, &f);
        fill_to(&f, to);
    }
    return a->err == STORE_OK;
}

static int32_t offset_at(void *context, int64_t wall_ms)
{
    const struct advice_store *a = context;
    return clock_utc_offset_seconds(a->record.site->timezone, wall_ms);
}

static bool take_column(void *context, const char *column)
{
    struct advice_store *a = context;
    const struct site *s = a->record.site;
    int at = frame_find_column(s, column, strlen(column), NULL);
    for (size_t c = 0; at >= 0 && c < s->circuit_count; c++)
        if (at >= s->circuits[c].first_pole &&
            at < s->circuits[c].first_pole + s->circuits[c].poles)
            a->measured[c] = true; /* the amps come first among the columns */
    return true;
}

/* ---- open and close ---- */

static enum store_err load(struct advice_store *a)
{
    struct advice_record *r = &a->record;
    int64_t wall_ms;
    enum store_err err = history_columns(a->reader, take_column, a);
    if (err == STORE_OK)
        err = store_read_state(a->reader, "learned", &a->learned, &r->learned_length, &wall_ms);
    if (err == STORE_OK)
        err = store_read_events_between(a->reader, NULL, r->from_wall_ms, r->to_wall_ms,
                                        take_event, a);
    if (err == STORE_OK && a->err == STORE_OK)
        err = store_read_trips(a->reader, r->from_wall_ms, r->to_wall_ms, false, MOST_TRIPS,
                               take_trip, a);
    if (err == STORE_OK)
        err = a->err;
    if (r->run_count)
        qsort(a->runs, r->run_count, sizeof *a->runs, run_order);
    if (r->trip_count)
        qsort(a->trips, r->trip_count, sizeof *a->trips, trip_order);
    r->learned = a->learned;
    r->runs = a->runs;
    r->trips = a->trips;
    r->warnings = a->warnings;
    return err;
}

struct advice_store *advice_store_open(const struct site *s, const struct rules_set *rules,
                                       const struct signature_set *signatures,
                                       struct store_reader *reader, int64_t from_wall_ms,
                                       int64_t to_wall_ms, enum store_err *err)
{
    struct advice_store *a = calloc(1, sizeof *a);
    *err = STORE_ERR_MEMORY;
    if (!a)
        return NULL;
    a->reader = reader;
    a->measured = calloc(s->circuit_count + 1, sizeof *a->measured);
    a->record = (struct advice_record){.site = s,
                                       .rules = rules,
                                       .signatures = signatures,
                                       .from_wall_ms = from_wall_ms,
                                       .to_wall_ms = to_wall_ms,
                                       .measured = a->measured,
                                       .read = read_amps,
                                       .offset = offset_at,
                                       .context = a};
    if (a->measured)
        *err = load(a);
    if (*err == STORE_OK)
        return a;
    advice_store_close(a);
    return NULL;
}

void advice_store_close(struct advice_store *a)
{
    if (!a)
        return;
    free(a->learned);
    free(a->measured);
    free(a->runs);
    free(a->trips);
    free(a->warnings);
    free(a);
}

const struct advice_record *advice_store_record(const struct advice_store *a)
{
    return &a->record;
}

enum store_err advice_store_problem(const struct advice_store *a)
{
    return a->err;
}
