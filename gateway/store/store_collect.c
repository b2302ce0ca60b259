/* The collecting of store.h: copies into the batch; nothing here touches the disk. */
#include "store_directory.h"
#include "store_parts.h"

#include "model/call_json.h"
#include "model/event_json.h"

#include <math.h>
#include <stdlib.h>

#define VALUES(...)                                                                            \
    (const struct value[]){__VA_ARGS__},                                                       \
        sizeof((const struct value[]){__VA_ARGS__}) / sizeof(struct value)

static void add(struct store *s, struct entry_kind kind, const struct value *values,
                size_t count)
{
    if (!batch_add(&s->batch, kind, values, count))
        s->counted.lost_records++;
    if (s->batch.bytes <= s->options.batch_most_bytes)
        return;
    uint64_t dropped[BATCH_WORTHS] = {0};
    batch_shed(&s->batch, s->options.batch_most_bytes / 8 * 7, dropped);
    s->counted.lost_readings += dropped[WORTH_READINGS];
    s->counted.lost_records += dropped[WORTH_LOADS] + dropped[WORTH_RECORD];
}

static struct entry_kind record_entry(enum statement statement)
{
    return (struct entry_kind){(int)statement, WORTH_RECORD, false, 1};
}

static const char *circuit_id(const struct site *site, const struct event *e)
{
    return e->circuit >= 0 ? site->circuits[e->circuit].id : NULL;
}

static const char *panel_id(const struct site *site, const struct event *e)
{
    int panel = e->circuit >= 0 ? site->circuits[e->circuit].panel : e->panel;
    return panel >= 0 ? site->panels[panel].id : NULL;
}

/* after the event itself, whose sequence number the row takes */
#define ADD_AFTER(s, statement, ...)                                                           \
    add((s), (struct entry_kind){(int)(statement), WORTH_RECORD, true, 1}, VALUES(__VA_ARGS__))

/* the call as it stands now, and the step that brought it there; nothing of either when memory
 * is short, which is then counted as lost */
static void add_call(struct store *s, const struct site *site, const struct event *e)
{
    const struct call *c = e->call.call;
    const struct call_step *step = e->call.step;
    json_t *call = call_to_json(site, c), *one = call_step_to_json(site, step);
    char *call_text = call ? event_json_dump(call) : NULL;
    char *step_text = one ? event_json_dump(one) : NULL;
    if (call_text && step_text) {
        ADD_AFTER(s, PUT_CALL, value_text(c->id), value_text(circuit_id(site, e)),
                  value_text(c->trip), value_text(call_stage_name(c->stage)),
                  value_text(call_finding_name(c->finding)), value_int(c->begun_wall_ms),
                  c->ended_wall_ms ? value_int(c->ended_wall_ms) : value_null(),
                  value_int(e->wall_ms), value_text(c->by), value_text(call_text));
        if (step->number == 1)
            ADD_AFTER(s, LEAVE_CALLS, value_text(circuit_id(site, e)), value_text(c->id),
                      value_int(e->wall_ms));
        ADD_AFTER(s, ADD_CALL_STEP, value_text(c->id), value_int(step->number),
                  value_int(step->wall_ms), value_text(step->by),
                  value_text(call_stage_name(step->stage)),
                  value_text(call_answer_name(step->answer)),
                  value_text(call_sight_name(step->sight)),
                  isnan(step->amps) ? value_null() : value_real(step->amps),
                  value_text(step_text));
    } else {
        s->counted.lost_records++;
    }
    free(call_text);
    free(step_text);
    json_decref(call);
    json_decref(one);
}

static void add_subject(struct store *s, const struct site *site, const struct event *e,
                        const char *json)
{
    const struct event_trip *t = &e->trip;
    const struct event_alarm *a = &e->alarm;
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF:
    case EVENT_SITE_DAY:
    case EVENT_ABSENCE:
    case EVENT_TRIP_NOTE:
    case EVENT_BREAKER_REPLACED:
    case EVENT_TRIP_CORRECTED: break; /* the trip stays as it was computed */
    case EVENT_TRIP:
        ADD_AFTER(s, PUT_TRIP, value_text(t->id), value_text(circuit_id(site, e)),
                  value_int(t->opened_wall_ms), value_text(trip_stage_name(t->stage)),
                  value_real(t->probability), value_text(trip_cause_name(t->cause)),
                  value_text(json));
        break;
    case EVENT_CALL: add_call(s, site, e); break;
    case EVENT_RESTORED:
        ADD_AFTER(s, SET_RESTORED, value_text(e->outcome.trip), value_int(e->wall_ms),
                  value_real(e->outcome.seconds));
        break;
    case EVENT_OPENED_AGAIN:
        ADD_AFTER(s, SET_AGAIN, value_text(e->outcome.trip), value_real(e->outcome.seconds));
        break;
    case EVENT_ALARM:
        ADD_AFTER(s, PUT_ALARM, value_text(a->id), value_text(alarm_kind_name(a->kind)),
                  value_text(alarm_priority_name(a->priority)),
                  value_text(alarm_state_name(a->state)), value_int(a->raised_wall_ms),
                  value_int(e->wall_ms), value_text(a->by), value_text(a->note),
                  value_text(json));
        break;
    }
}

static bool is_load(const struct event *e)
{
    return e->type == EVENT_LOAD_ON || e->type == EVENT_LOAD_OFF;
}

static const char *subject_of(const struct event *e)
{
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF:
    case EVENT_BREAKER_REPLACED:
    case EVENT_SITE_DAY:
    case EVENT_ABSENCE: return NULL;
    case EVENT_TRIP: return e->trip.id;
    case EVENT_RESTORED:
    case EVENT_OPENED_AGAIN: return e->outcome.trip;
    case EVENT_ALARM: return e->alarm.id;
    case EVENT_CALL: return e->call.call->id;
    case EVENT_TRIP_CORRECTED: return e->correction.trip;
    case EVENT_TRIP_NOTE: return e->note.trip;
    }
    return NULL;
}

void store_add_event(struct store *s, const struct site *site, const struct event *e,
                     const char *json)
{
    add(s, (struct entry_kind){ADD_EVENT, is_load(e) ? WORTH_LOADS : WORTH_RECORD, false, 1},
        VALUES(value_int(e->wall_ms), value_text(event_type_name(e->type)),
               value_text(panel_id(site, e)), value_text(circuit_id(site, e)),
               value_text(subject_of(e)), value_text(json)));
    add_subject(s, site, e, json);
}

void store_release_trip(struct store *s, const char *id)
{
    add(s, record_entry(RELEASE_TRIP), VALUES(value_text(id)));
}

void store_add_message(struct store *s, const struct store_message *m)
{
    add(s,
        (struct entry_kind){ADD_MESSAGE, m->low_value ? WORTH_LOADS : WORTH_RECORD, m->with_seq,
                            1},
        VALUES(value_int(m->route), value_text(m->topic), value_text(m->payload),
               value_int(m->qos), value_int(m->retain), value_int(m->low_value),
               value_int(s->wall_ms),
               m->expires_wall_ms ? value_int(m->expires_wall_ms) : value_null(),
               value_int(m->with_seq)));
}

void store_add_state(struct store *s, const char *key, const void *bytes, size_t length,
                     int64_t wall_ms)
{
    batch_remove(&s->batch, PUT_STATE, key);
    add(s, record_entry(PUT_STATE),
        VALUES(value_text(key), value_blob(bytes, length), value_int(wall_ms)));
}

void store_add_audit(struct store *s, const struct store_audit *a)
{
    add(s, record_entry(ADD_AUDIT),
        VALUES(value_int(a->wall_ms), value_text(a->who), value_text(a->role),
               value_text(a->way), value_text(a->act), value_text(a->subject),
               value_text(a->result)));
    ADD_AFTER(s, TRIM_AUDIT, value_int(STORE_AUDIT_MOST));
}

/* ---- the panel directory ---- */

static struct value real_or_null(double v)
{
    return isnan(v) ? value_null() : value_real(v);
}

void store_add_place(struct store *s, const struct directory_place *p)
{
    add(s, record_entry(ADD_PLACE),
        VALUES(value_text(p->name), value_text(p->part), value_text(p->kind),
               value_text(p->circuit), value_text(p->panel), value_int(p->traced),
               real_or_null(p->probability), real_or_null(p->amps), value_int(p->wall_ms),
               value_text(p->by)));
}

void store_drop_places(struct store *s, const char *name, const char *part, bool traced,
                       const char *circuit)
{
    add(s, record_entry(DROP_PLACES),
        VALUES(value_text(name), value_text(part), value_int(traced), value_text(circuit)));
}

void store_put_purpose(struct store *s, const struct directory_purpose *p)
{
    if (p->words[0])
        add(s, record_entry(PUT_PURPOSE),
            VALUES(value_text(p->panel), value_text(p->position), value_text(p->words),
                   value_int(p->wall_ms), value_text(p->by)));
    else
        add(s, record_entry(DROP_PURPOSE),
            VALUES(value_text(p->panel), value_text(p->position)));
}

void store_add_directory_change(struct store *s, const struct store_directory_change *c)
{
    add(s, record_entry(ADD_DIRECTORY_CHANGE),
        VALUES(value_int(c->wall_ms), value_text(c->who), value_text(c->panel),
               value_text(c->position), value_text(c->what), value_text(c->subject),
               value_text(c->before), value_text(c->after)));
}

/* ---- readings ---- */

void store_take_block(struct store *s)
{
    struct codec_out bytes = {0};
    if (!s->block || block_rows(s->block) == 0)
        return;
    size_t rows = block_rows(s->block);
    int64_t first = block_first_wall_ms(s->block);
    block_seal(s->block, &bytes);
    if (bytes.failed) {
        s->counted.lost_readings += rows;
    } else {
        add(s, (struct entry_kind){ADD_LAYOUT, WORTH_READINGS, false, 0},
            VALUES(value_text(text_get(&s->columns)), value_int((int64_t)s->site->poles_total),
                   value_int((int64_t)s->site->panel_count)));
        add(s, (struct entry_kind){ADD_READINGS, WORTH_READINGS, true, (uint32_t)rows},
            VALUES(value_int(first), value_text(text_get(&s->columns)),
                   value_blob(bytes.bytes, bytes.length)));
    }
    codec_out_free(&bytes);
}

void store_set_site(struct store *s, const struct site *site)
{
    char name[2 * SITE_ID_SIZE];
    store_take_block(s);
    block_destroy(s->block);
    s->block = block_create(site->poles_total, site->panel_count);
    text_clear(&s->columns);
    size_t count = frame_count(site);
    for (size_t i = 0; i < count; i++) {
        frame_column_name(site, i, name, sizeof name);
        text_printf(&s->columns, i ? "\n%s" : "%s", name);
    }
    s->site = site;
}

void store_add_readings(struct store *s, const struct frame *f)
{
    if (!s->block || s->columns.failed || f->poles != s->site->poles_total ||
        f->panels != s->site->panel_count) {
        s->counted.lost_readings++;
        return;
    }
    if (block_add(s->block, f))
        return;
    store_take_block(s);
    block_add(s->block, f); /* an empty block takes any frame */
}
