#include "house_record.h"

#include "drivers/meter_plan.h"
#include "drivers/recorded.h"
#include "drivers/sunspec.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct recorder { /* of one meter */
    struct house_meter meter;
    struct meter_map found; /* of a SunSpec meter */
    struct meter_plan plan;
    uint16_t *registers;
    bool *got;
    struct bus_reading *readings;
};

/* What a SunSpec meter says of itself, as a gateway would ask. */
static const struct meter_map *walk(struct recorder *m, const struct house *h)
{
    struct sunspec_walk w;
    struct plan_read next;
    uint16_t words[SUNSPEC_MOST_READ];
    house_meter_fill(&m->meter, h);
    m->found = *m->meter.map;
    sunspec_begin(&w, m->found.max_registers);
    while (sunspec_next(&w, &next))
        sunspec_take(
            &w, house_meter_read(&m->meter, SUNSPEC_FUNCTION, next.address, next.count, words)
                    ? words
                    : NULL);
    return sunspec_map(&w, &m->found) ? &m->found : NULL;
}

static bool begin(struct recorder *m, const struct house_record *r, int meter)
{
    const struct meter_map *map = meter_map_find(r->maps, r->site->meters[meter].map);
    struct plan_line line = plan_line_tcp();
    if (!map || !house_meter_init(&m->meter, r->site, meter, map, r->seed))
        return false;
    if (map->sunspec)
        map = walk(m, r->house);
    if (!map || meter_plan_make(r->site, meter, map, &line, &m->plan) != METER_PLAN_OK)
        return false;
    m->registers = calloc(m->plan.registers + 1, sizeof *m->registers);
    m->got = calloc(m->plan.read_count + 1, sizeof *m->got);
    m->readings = calloc(m->plan.value_count + 1, sizeof *m->readings);
    return m->registers && m->got && m->readings;
}

static void end(struct recorder *m)
{
    house_meter_free(&m->meter);
    meter_plan_free(&m->plan);
    free(m->registers);
    free(m->got);
    free(m->readings);
}

static bool struck(const struct house_record *r, size_t meter, struct chance *c)
{
    if (!r->mischief)
        return false;
    enum mischief_kind kind =
        mischief_draw(&r->mischief[meter], c, (double)house_now_ms(r->house) / 1000.0);
    return kind != MISCHIEF_NONE && kind != MISCHIEF_DELAY;
}

static void measure(struct recorder *m, const struct house_record *r, size_t meter,
                    struct chance *c, struct frame *f)
{
    house_meter_fill(&m->meter, r->house);
    for (size_t i = 0; i < m->plan.read_count; i++) {
        const struct meter_read *read = &m->plan.reads[i];
        m->got[i] =
            !struck(r, meter, c) && house_meter_read(&m->meter, read->function, read->address,
                                                     read->count, &m->registers[read->at]);
    }
    size_t n = meter_plan_decode(&m->plan, m->registers, m->got, NULL, m->readings);
    for (size_t i = 0; i < n; i++)
        f->values[m->readings[i].index] = m->readings[i].value;
}

/* the columns that some meter can fill, in the order of the frame */
static size_t pick_columns(const struct recorder *meters, size_t count, size_t values,
                           size_t *columns)
{
    bool *wanted = calloc(values + 1, sizeof *wanted);
    size_t n = 0;
    for (size_t m = 0; wanted && m < count; m++)
        for (size_t i = 0; i < meters[m].plan.value_count; i++)
            wanted[meters[m].plan.values[i].index] = true;
    for (size_t i = 0; wanted && i < values; i++)
        if (wanted[i])
            columns[n++] = i;
    free(wanted);
    return n;
}

static bool put(struct text *t, FILE *out)
{
    bool ok = !t->failed && fwrite(t->bytes, 1, t->length, out) == t->length;
    text_clear(t);
    return ok;
}

static bool write_rows(const struct house_record *r, struct recorder *meters, struct frame *f,
                       size_t *columns, FILE *out)
{
    struct text t = TEXT_INIT;
    struct chance c = chance_seed(r->seed, "record");
    size_t n = pick_columns(meters, r->site->meter_count, f->count, columns);
    recorded_write_header(&t, r->site, columns, n);
    bool ok = n > 0 && put(&t, out);
    for (int64_t at = r->every_ms; ok && at <= r->end_ms; at += r->every_ms) {
        house_advance(r->house, at);
        frame_clear(f);
        f->wall_ms = r->start_wall_ms + at;
        for (size_t m = 0; m < r->site->meter_count; m++)
            measure(&meters[m], r, m, &c, f);
        recorded_write_row(&t, f, columns, n);
        ok = put(&t, out);
    }
    text_free(&t);
    return ok && fflush(out) == 0;
}

bool house_record_write(const struct house_record *r, FILE *out, struct text *why)
{
    struct recorder *meters = calloc(r->site->meter_count + 1, sizeof *meters);
    struct frame *f = frame_create(r->site);
    size_t *columns = f ? calloc(f->count + 1, sizeof *columns) : NULL;
    bool ok = meters && columns;
    for (size_t m = 0; ok && m < r->site->meter_count; m++)
        ok = begin(&meters[m], r, (int)m);
    if (!ok)
        text_append(why, "memory is short, or a register map cannot be read");
    else if (!write_rows(r, meters, f, columns, out)) {
        text_printf(why, "the readings cannot be written: %s", strerror(errno));
        ok = false;
    }
    for (size_t m = 0; meters && m < r->site->meter_count; m++)
        end(&meters[m]);
    free(meters);
    free(columns);
    frame_destroy(f);
    return ok;
}
