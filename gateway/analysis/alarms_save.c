#include "alarms_state.h"

#include "base/text.h"

#include <stdlib.h>
#include <string.h>

#define ALARMS_STATE_VERSION 2U /* 1 had the figures as a sentence */

void alarms_save(const struct alarms *a, struct codec_out *out)
{
    codec_put_u32(out, ALARMS_STATE_VERSION);
    for (size_t i = 0; i < ALARM_KINDS * a->subjects; i++) {
        const struct alarm_point *p = a->points[i];
        if (!p)
            continue;
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, p->id);
        codec_put_u8(out, (uint8_t)p->state);
        codec_put_u8(out, (uint8_t)p->priority);
        codec_put_u8(out, p->condition);
        codec_put_i64(out, p->raised_wall_ms);
        codec_put_i64(out, p->shelved_until_wall);
        codec_put_string(out, p->text);
        codec_put_string(out, p->advice);
        codec_put_string(out, p->by);
        codec_put_string(out, p->note);
        figures_save(&p->figures, out);
        codec_put_u8(out, (uint8_t)(p->alert | p->shelved_alert << 1 | p->owed << 2));
        codec_end(out, begun);
    }
}

/* what an id is about in this site; false when it is about nothing here */
static bool subject_of(const struct site *s, const char *id, enum alarm_kind *kind,
                       struct alarm_subject *subject)
{
    char name[EVENT_ID_SIZE];
    text_copy(name, sizeof name, id);
    char *dot = strrchr(name, '.');
    if (!dot || !alarm_kind_find(dot + 1, kind))
        return false;
    *dot = '\0';
    *subject = ALARM_SUBJECT_SITE;
    if ((subject->circuit = site_find_circuit(s, name)) >= 0) {
        subject->panel = s->circuits[subject->circuit].panel;
        return true;
    }
    if ((subject->panel = site_find_panel(s, name)) >= 0 ||
        (subject->meter = site_find_meter(s, name)) >= 0)
        return true;
    return strcmp(name, s->id) == 0;
}

bool alarms_adopt(struct alarms *a, const struct event_alarm *alarm)
{
    enum alarm_kind kind;
    struct alarm_subject subject;
    if (!subject_of(a->site, alarm->id, &kind, &subject))
        return false;
    struct alarm_point **at = alarms_slot(a, kind, subject);
    if (*at)
        return true;
    struct alarm_point *p = alarms_point_create(a, kind, subject);
    if (!p)
        return true; /* memory is short: it stays as it is */
    p->state = alarm->state;
    p->condition = alarms_is_raised(p->state);
    p->priority = alarm->priority;
    p->alert = alarm->alert;
    p->raised_wall_ms = alarm->raised_wall_ms;
    text_copy(p->text, sizeof p->text, alarm->text);
    text_copy(p->advice, sizeof p->advice, alarm->advice);
    a->shelved += p->state == ALARM_SHELVED; /* until when is not known: it ends now */
    *at = p;
    return true;
}

static bool load_point(struct alarms *a, struct codec_in *in, uint32_t version)
{
    char id[EVENT_ID_SIZE];
    enum alarm_kind kind;
    struct alarm_subject subject;
    codec_get_string(in, id, sizeof id);
    if (in->failed)
        return false;
    if (!subject_of(a->site, id, &kind, &subject))
        return true; /* the site has changed: what it was about is gone */
    struct alarm_point *p = alarms_point_create(a, kind, subject);
    if (!p)
        return false;
    uint8_t state = codec_get_u8(in), priority = codec_get_u8(in);
    p->condition = codec_get_u8(in) != 0;
    p->raised_wall_ms = codec_get_i64(in);
    p->shelved_until_wall = codec_get_i64(in);
    codec_get_string(in, p->text, sizeof p->text);
    codec_get_string(in, p->advice, sizeof p->advice);
    if (version == 1) {
        char sentence[EVENT_TEXT_SIZE];
        codec_get_string(in, sentence, sizeof sentence);
    }
    codec_get_string(in, p->by, sizeof p->by);
    codec_get_string(in, p->note, sizeof p->note);
    if (version > 1)
        figures_load(&p->figures, in);
    unsigned level = in->at < in->end ? codec_get_u8(in) : 0; /* since alerts are told apart */
    p->alert = level & 1;
    p->shelved_alert = level & 2;
    p->owed = level & 4;
    if (in->failed || state > ALARM_OUT_OF_SERVICE || priority > PRIORITY_LOW) {
        free(p);
        return false;
    }
    p->state = (enum alarm_state)state;
    p->priority = (enum alarm_priority)priority;
    a->shelved += p->state == ALARM_SHELVED;
    struct alarm_point **at = alarms_slot(a, kind, subject);
    free(*at);
    *at = p;
    return true;
}

bool alarms_load(struct alarms *a, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    uint32_t version = codec_get_u32(in);
    if (version < 1 || version > ALARMS_STATE_VERSION)
        return false;
    while (codec_next(in, &tag, &section))
        if (tag == 1 && !load_point(a, &section, version))
            return false;
    return !in->failed;
}
