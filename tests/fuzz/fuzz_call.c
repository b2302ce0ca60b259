/* A service call: whatever is kept is taken back whole or refused, and whatever is answered to
 * it, a call that has ended moves no more and nobody comes to OFF or ON without the cautions.
 *
 * Input: an odd first byte: the rest are answers and readings, a byte each; an even one: the
 * rest is taken for a state that was kept. */
#include "analysis/calls.h"
#include "model/call.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct bench {
    struct site site;
    struct rules_set rules;
    struct alarms *alarms;
    struct calls *calls;
    struct frame *frame;
    struct call last;
    bool clear; /* read since they were asked last */
};

static void take(void *context, const struct event *e)
{
    struct bench *b = context;
    if (e->type != EVENT_CALL)
        return;
    const struct call *c = e->call.call;
    if (b->last.stage == CALL_ENDED && strcmp(c->id, b->last.id) == 0)
        abort();
    if (e->call.step->answer == CALL_SAID_CLEAR)
        b->clear = true;
    if ((c->stage == CALL_OFF || c->stage == CALL_ON) && !b->clear)
        abort();
    if (c->stage == CALL_CAUTIONS)
        b->clear = false;
    b->last = *c;
}

static void set_up(struct bench *b)
{
    struct site *s = &b->site;
    site_init(s);
    strcpy(site_add_panel(s)->id, "main");
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, "main-01");
    strcpy(c->leg, "A");
    c->panel = 0;
    c->breaker_amps = 15.0;
    c->meter = -1;
    site_finish(s);
    rules_set_init(&b->rules, s);
    b->alarms = alarms_create(s, take, b);
    b->calls = calls_create(s, &b->rules, b->alarms, take, b);
    b->frame = frame_create(s);
    if (!b->alarms || !b->calls || !b->frame)
        abort();
    b->frame->has = 1U << FRAME_AMPS;
}

static void tear_down(struct bench *b)
{
    calls_destroy(b->calls);
    alarms_destroy(b->alarms);
    frame_destroy(b->frame);
    rules_set_free(&b->rules);
    site_free(&b->site);
}

static void converse(struct bench *b, const uint8_t *data, size_t size)
{
    char id[EVENT_ID_SIZE];
    for (size_t i = 0; i < size; i++) {
        struct call_say say = {.call = b->last.id,
                               .question = b->last.question,
                               .answer = (enum call_answer)(data[i] % CALL_ANSWERS),
                               .danger = (enum call_danger)(data[i] / 32 % CALL_DANGERS),
                               .by = "a",
                               .device = "",
                               .note = "x"};
        int64_t wall_ms = (int64_t)(i + 1) * 1000;
        b->frame->mono_ms = b->frame->wall_ms = wall_ms;
        b->frame->values[0] = data[i] > 200 ? (float)(data[i] - 200) : 0.0F;
        calls_step(b->calls, b->frame);
        if (!calls_open(b->calls, 0)) {
            say.call = "main-01";
            say.answer = CALL_SAID_BEGIN;
            b->last.stage = CALL_CAUTIONS;
            calls_begin(b->calls, b->frame, &say, wall_ms, id);
        } else {
            calls_answer(b->calls, &say, wall_ms);
        }
    }
}

static void restore(struct bench *b, const uint8_t *data, size_t size)
{
    struct codec_in in = {.at = data, .end = data + size};
    struct codec_out out = {0};
    if (!calls_load(b->calls, &in))
        return;
    calls_save(b->calls, &out);
    for (int i = 1; i < 20; i++) {
        b->frame->mono_ms = b->frame->wall_ms = i * 1000;
        b->frame->values[0] = (float)i;
        b->clear = true; /* whatever was kept */
        calls_step(b->calls, b->frame);
    }
    codec_out_free(&out);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bench b = {0};
    if (size < 1)
        return 0;
    set_up(&b);
    if (data[0] & 1)
        converse(&b, data + 1, size - 1);
    else
        restore(&b, data + 1, size - 1);
    tear_down(&b);
    return 0;
}
