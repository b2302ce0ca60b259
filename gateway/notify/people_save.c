/* people - what of it survives a restart */
#include "people_parts.h"

#include <stdlib.h>
#include <string.h>

#define STATE_VERSION 2U /* 1 had the loads as a sentence, and no figures */

enum { SECTION_NEWS = 1, SECTION_TELLING, SECTION_READER };

static void save_news(const struct news *n, struct codec_out *out)
{
    size_t begun = codec_begin(out, SECTION_NEWS);
    codec_put_string(out, n->alarm);
    codec_put_u8(out, (uint8_t)n->kind);
    codec_put_u8(out, (uint8_t)n->matter);
    codec_put_u8(out, (uint8_t)n->priority);
    codec_put_u8(out, (uint8_t)n->state);
    codec_put_i64(out, n->raised_wall_ms);
    codec_put_i64(out, n->over_wall_ms);
    codec_put_u32(out, (uint32_t)n->load_count);
    for (size_t i = 0; i < n->load_count; i++) {
        codec_put_string(out, n->loads[i].appliance);
        codec_put_f64(out, n->loads[i].amps);
    }
    codec_put_string(out, n->text);
    codec_put_string(out, n->advice);
    figures_save(&n->figures, out);
    codec_put_string(out, n->thread);
    codec_put_string(out, n->by);
    codec_end(out, begun);
}

static void save_telling(const struct people *p, const struct telling *t, struct codec_out *out)
{
    size_t begun = codec_begin(out, SECTION_TELLING);
    codec_put_string(out, p->delivery->people[t->person].id);
    codec_put_string(out, t->about->news.alarm);
    codec_put_i64(out, t->due_wall_ms);
    codec_put_u32(out, (uint32_t)t->told);
    codec_put_u8(out, (uint8_t)t->why);
    codec_end(out, begun);
}

static void save_reader(const struct people *p, size_t i, struct codec_out *out)
{
    const struct reader *r = &p->readers[i];
    size_t begun = codec_begin(out, SECTION_READER);
    codec_put_string(out, p->delivery->people[i].id);
    codec_put_i64(out, r->summary_wall_ms);
    codec_put_u32(out, r->raised);
    codec_put_u32(out, r->urgent);
    codec_put_u32(out, r->trips);
    for (size_t k = 0; k < PEOPLE_FLOOD_LETTERS; k++) /* the oldest first */
        codec_put_i64(out, r->sent_wall_ms[(r->sent_at + k) % PEOPLE_FLOOD_LETTERS]);
    codec_end(out, begun);
}

void people_save(const struct people *p, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    for (const struct known *k = p->known; k; k = k->next)
        save_news(&k->news, out);
    for (const struct telling *t = p->tellings; t; t = t->next)
        save_telling(p, t, out);
    for (size_t i = 0; i < p->delivery->person_count; i++)
        save_reader(p, i, out);
}

static void load_loads(struct news *n, struct codec_in *in)
{
    uint32_t count = codec_get_u32(in);
    for (uint32_t i = 0; i < count && i < NEWS_LOADS && !in->failed; i++) {
        codec_get_string(in, n->loads[i].appliance, sizeof n->loads[i].appliance);
        n->loads[i].amps = codec_get_f64(in);
        n->load_count++;
    }
}

/* what version 1 had in its place */
static void load_sentence(struct news *n, struct codec_in *in)
{
    char sentence[200];
    figures_add(&n->figures, FIGURE_LOAD, codec_get_f64(in));
    codec_get_string(in, sentence, sizeof sentence);
}

static bool load_news(struct people *p, struct codec_in *in, uint32_t version)
{
    struct news n = {0};
    codec_get_string(in, n.alarm, sizeof n.alarm);
    uint8_t kind = codec_get_u8(in), matter = codec_get_u8(in), priority = codec_get_u8(in),
            state = codec_get_u8(in);
    n.raised_wall_ms = codec_get_i64(in);
    n.over_wall_ms = codec_get_i64(in);
    if (version == 1)
        load_sentence(&n, in);
    else
        load_loads(&n, in);
    codec_get_string(in, n.text, sizeof n.text);
    codec_get_string(in, n.advice, sizeof n.advice);
    if (version > 1)
        figures_load(&n.figures, in);
    if (in->at < in->end) /* the first versions had none */
        codec_get_string(in, n.thread, sizeof n.thread);
    if (in->at < in->end)
        codec_get_string(in, n.by, sizeof n.by);
    if (in->failed || kind >= ALARM_KINDS || matter >= MATTERS || priority > PRIORITY_LOW ||
        state > ALARM_OUT_OF_SERVICE)
        return false;
    n.kind = (enum alarm_kind)kind;
    n.matter = (enum matter)matter;
    n.priority = (enum alarm_priority)priority;
    n.state = (enum alarm_state)state;
    struct known *k = people_find_known(p, n.alarm);
    if (!k && !(k = people_add_known(p, n.alarm)))
        return false;
    k->news = n;
    return true;
}

static bool load_telling(struct people *p, struct codec_in *in)
{
    char person[SITE_ID_SIZE], alarm[EVENT_ID_SIZE];
    codec_get_string(in, person, sizeof person);
    codec_get_string(in, alarm, sizeof alarm);
    int64_t due_wall_ms = codec_get_i64(in);
    uint32_t told = codec_get_u32(in);
    uint8_t why = codec_get_u8(in);
    if (in->failed || why > WHY_ANSWERED || told > INT32_MAX)
        return false;
    int i = delivery_find_person(p->delivery, person);
    struct known *k = people_find_known(p, alarm);
    if (i < 0 || !k)
        return true; /* the person, or the alarm, is gone */
    struct telling *t = people_add_telling(p, i, k, due_wall_ms, (enum wording_why)why);
    if (t)
        t->told = (int)told;
    return t != NULL;
}

static bool load_reader(struct people *p, struct codec_in *in)
{
    char person[SITE_ID_SIZE];
    struct reader r = {0};
    codec_get_string(in, person, sizeof person);
    r.summary_wall_ms = codec_get_i64(in);
    r.raised = codec_get_u32(in);
    r.urgent = codec_get_u32(in);
    r.trips = codec_get_u32(in);
    for (size_t k = 0; k < PEOPLE_FLOOD_LETTERS; k++)
        r.sent_wall_ms[k] = codec_get_i64(in);
    int i = delivery_find_person(p->delivery, person);
    if (!in->failed && i >= 0)
        p->readers[i] = r;
    return !in->failed;
}

bool people_load(struct people *p, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    uint32_t version = codec_get_u32(in);
    bool ok = version >= 1 && version <= STATE_VERSION;
    while (ok && codec_next(in, &tag, &section))
        switch (tag) {
        case SECTION_NEWS: ok = load_news(p, &section, version); break;
        case SECTION_TELLING: ok = load_telling(p, &section); break;
        case SECTION_READER: ok = load_reader(p, &section); break;
        default: break; /* of a later version */
        }
    return ok && !in->failed;
}
