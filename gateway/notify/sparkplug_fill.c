/* What the host missed, out of the record, a piece a turn: the readings of every circuit by
 * exception, and the alarms; all marked historical. */
#include "sparkplug_parts.h"

#include "base/clock.h"
#include "base/log.h"
#include "model/frame.h"
#include "store/history.h"

#include <jansson.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PIECE_MS 120000
#define ON_DISK_MS (STORE_READINGS_MS + 2000)
#define METRICS_MOST 250 /* a message */

void sparkplug_fill_begin(struct sparkplug *s)
{
    int64_t now = clock_wall_ms();
    if (s->quiet_wall_ms == 0)
        return;
    if (s->fill.from_wall_ms == 0) /* else an outage on top of one that is not filled yet */
        s->fill.from_wall_ms = s->quiet_wall_ms;
    if (s->fill.from_wall_ms < now - SPARKPLUG_FILL_MS)
        s->fill.from_wall_ms = now - SPARKPLUG_FILL_MS;
    s->fill.to_wall_ms = now;
    s->fill.due_mono_ms = clock_mono_ms() + ON_DISK_MS;
    s->quiet_wall_ms = 0;
    for (size_t i = 0; i < s->site->circuit_count; i++)
        s->circuits[i].filled[0] = s->circuits[i].filled[1] = (double)NAN;
}

/* one meter's piece on its way */
struct piece {
    struct sparkplug *s;
    struct broker *broker;
    const char *device;
    const int *circuits; /* of each column; amps and watts of every pole, pole after pole */
    size_t columns;
    bool lost;
};

static void add(struct sparkplug *s, int circuit, int place, int64_t wall_ms, double v)
{
    double *filled = &s->circuits[circuit].filled[place];
    double step = fmax(place == PLACE_AMPS ? 0.05 : 5.0, 0.01 * fabs(*filled));
    if (isnan(v) || !(isnan(*filled) || fabs(v - *filled) >= step))
        return;
    *filled = v;
    sparkplug_payload_add(&s->payload,
                          &(struct sparkplug_metric){.name = s->circuits[circuit].names[place],
                                                     .type = SPARKPLUG_FLOAT,
                                                     .wall_ms = wall_ms,
                                                     .historical = true,
                                                     .number = v});
}

static bool send_piece(struct piece *p, size_t least)
{
    if (p->s->payload.count >= least &&
        !sparkplug_send(p->s, p->broker, p->device[0] ? "DDATA" : "NDATA", p->device))
        p->lost = true;
    return !p->lost;
}

/* poles together as everywhere: the hotter one's amps, the sum of the watts */
static bool take_row(void *context, int64_t wall_ms, const float *values)
{
    struct piece *p = context;
    for (size_t i = 0; i < p->columns;) {
        int c = p->circuits[i];
        double amps = (double)NAN, watts = 0.0;
        for (; i < p->columns && p->circuits[i] == c; i += 2) {
            amps = fmax(amps, (double)values[i]);
            watts += (double)values[i + 1];
        }
        add(p->s, c, PLACE_AMPS, wall_ms, amps);
        add(p->s, c, PLACE_WATTS, wall_ms, watts);
    }
    return send_piece(p, METRICS_MOST);
}

static enum store_err fill_meter(struct piece *p, size_t meter, int64_t from, int64_t to)
{
    const struct site *site = p->s->site;
    size_t most = 2 * site->poles_total;
    char(*names)[2 * SITE_ID_SIZE] = calloc(most + 1, sizeof *names);
    const char **columns = calloc(most + 1, sizeof *columns);
    int *circuits = calloc(most + 1, sizeof *circuits);
    enum store_err err = names && columns && circuits ? STORE_OK : STORE_ERR_MEMORY;
    size_t n = 0;
    for (size_t c = 0; c < site->circuit_count && !err; c++)
        for (int q = 0;
             site->circuits[c].meter == (int)meter && q < 2 * site->circuits[c].poles; q++) {
            size_t pole = (size_t)site->circuits[c].first_pole + (size_t)q / 2;
            frame_column_name(site, (q % 2 ? site->poles_total : 0) + pole, names[n],
                              sizeof names[n]);
            columns[n] = names[n];
            circuits[n++] = (int)c;
        }
    p->device = site->meters[meter].id;
    p->circuits = circuits;
    p->columns = n;
    if (!err && n > 0)
        err = history_rows(p->s->reader, columns, n, from, to, take_row, p);
    if (!err)
        send_piece(p, 1);
    free(names);
    free(columns);
    free(circuits);
    return err;
}

static bool take_event(void *context, const struct store_event_row *row)
{
    struct piece *p = context;
    json_t *o = strcmp(row->type, "alarm") == 0 ? json_loads(row->json, 0, NULL) : NULL;
    const char *state = json_string_value(json_object_get(o, "state"));
    const char *text = json_string_value(json_object_get(o, "text"));
    if (text && state && strcmp(state, "unacknowledged") == 0) {
        sparkplug_payload_add(&p->s->payload,
                              &(struct sparkplug_metric){.name = "Alarms/Latest",
                                                         .type = SPARKPLUG_STRING,
                                                         .wall_ms = row->wall_ms,
                                                         .historical = true,
                                                         .text = text});
        send_piece(p, 1); /* the text is borrowed */
    }
    json_decref(o);
    return !p->lost;
}

bool sparkplug_fill_step(struct sparkplug *s, struct broker *b)
{
    struct sparkplug_fill *f = &s->fill;
    if (f->from_wall_ms == 0 || clock_mono_ms() < f->due_mono_ms || broker_congested(b))
        return false;
    int64_t to = f->from_wall_ms + PIECE_MS - 1;
    if (to > f->to_wall_ms)
        to = f->to_wall_ms;
    struct piece p = {.s = s, .broker = b, .device = ""};
    enum store_err err =
        store_read_events_between(s->reader, NULL, f->from_wall_ms, to, take_event, &p);
    for (size_t m = 0; m < s->site->meter_count && !err && !p.lost; m++)
        if (s->alive[m]) /* no data of a device without a birth */
            err = fill_meter(&p, m, f->from_wall_ms, to);
    if (err) {
        log_warning("sparkplug", "the time of the outage cannot be read: %s",
                    store_strerror(err));
        f->from_wall_ms = 0;
    } else if (!p.lost) {
        f->from_wall_ms = to >= f->to_wall_ms ? 0 : to + 1;
    }
    if (f->from_wall_ms == 0) /* and we are heard, else this were not called */
        atomic_store(&s->missing_since, 0);
    return f->from_wall_ms != 0 && !p.lost;
}
