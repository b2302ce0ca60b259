#include "wording.h"

#include "base/clock.h"

#include <string.h>

void wording_init(struct wording *w, const struct phrases *phrases, const char *language,
                  const struct site *site, int32_t utc_offset_seconds)
{
    *w = (struct wording){phrases, phrases_find(phrases, language), site, utc_offset_seconds};
    if (!w->language)
        w->language = phrases_find(phrases, "en");
}

const char *wording_phrase(const struct wording *w, enum phrase p)
{
    const struct phrases_language *english = phrases_find(w->phrases, "en");
    if (w->language && w->language->words[p])
        return w->language->words[p];
    return english && english->words[p] ? english->words[p] : "";
}

static const char *subject_of(const struct wording *w, enum matter m)
{
    const struct phrases_language *english = phrases_find(w->phrases, "en");
    if (w->language && w->language->subject[m])
        return w->language->subject[m];
    return english && english->subject[m] ? english->subject[m] : matter_name(m);
}

/* "2026-01-31 14:05" by the clock of the site */
static void say_time(const struct wording *w, int64_t wall_ms, char out[CLOCK_RFC3339_SIZE])
{
    char local[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(wall_ms + 1000 * (int64_t)w->utc_offset_seconds, local);
    local[10] = ' ';
    local[16] = '\0';
    text_copy(out, CLOCK_RFC3339_SIZE, local);
}

/* whose values the braces of a phrase take: the alarm's id begins with it */
static void set_subject(const struct site *s, const char *alarm, char id[EVENT_ID_SIZE],
                        struct phrase_values *v)
{
    text_copy(id, EVENT_ID_SIZE, alarm);
    char *dot = strrchr(id, '.');
    if (dot)
        *dot = '\0';
    int circuit = site_find_circuit(s, id), panel = site_find_panel(s, id);
    v->circuit = v->panel = v->position = "";
    v->meter = id;
    if (circuit >= 0) {
        v->circuit = s->circuits[circuit].name;
        v->position = s->circuits[circuit].position;
        panel = s->circuits[circuit].panel;
    }
    if (panel >= 0)
        v->panel = s->panels[panel].name;
    else if (circuit < 0)
        v->panel = s->name;
}

static struct phrase_values values_of(const struct wording *w, const struct news *n,
                                      char id[EVENT_ID_SIZE], char time[CLOCK_RFC3339_SIZE])
{
    struct phrase_values v = {.site = w->site->name, .alarm = n->alarm, .amps = n->amps};
    set_subject(w->site, n->alarm, id, &v);
    v.loads = n->loads[0] ? n->loads : "-";
    say_time(w, n->over_wall_ms ? n->over_wall_ms : n->raised_wall_ms, time);
    v.time = time;
    return v;
}

static size_t characters(const char *s)
{
    size_t n = 0;
    for (; *s; s++)
        n += ((unsigned char)*s & 0xc0) != 0x80;
    return n;
}

/* Appends as many characters as there is room for, with "..." where it is cut. */
static void append_cut(struct text *out, const char *s, size_t room)
{
    if (characters(s) <= room) {
        text_append(out, s);
        return;
    }
    size_t keep = room > 3 ? room - 3 : 0, at = 0;
    for (size_t n = 0; s[at]; at++) {
        n += ((unsigned char)s[at] & 0xc0) != 0x80;
        if (n > keep)
            break;
    }
    while (at > 0 && s[at - 1] == ' ')
        at--;
    text_append_bytes(out, s, at);
    text_append(out, "...");
}

void wording_subject(const struct wording *w, const struct news *n, enum wording_why why,
                     size_t more, struct text *out)
{
    char id[EVENT_ID_SIZE], time[CLOCK_RFC3339_SIZE];
    struct phrase_values v = values_of(w, n, id, time);
    struct text head = TEXT_INIT, body = TEXT_INIT, tail = TEXT_INIT;
    if (why == WHY_OVER)
        text_append(&head, wording_phrase(w, PHRASE_OVER));
    else if (n->priority == PRIORITY_URGENT)
        text_append(&head, wording_phrase(w, PHRASE_URGENT));
    if (why == WHY_AGAIN)
        text_append(&head, wording_phrase(w, PHRASE_AGAIN));
    if (why == WHY_UNANSWERED)
        text_append(&head, wording_phrase(w, PHRASE_UNANSWERED));
    if (more > 0)
        text_printf(&tail, " (+%zu)", more);
    phrases_fill(subject_of(w, n->matter), &v, &body);
    size_t taken = characters(text_get(&head)) + characters(text_get(&tail));
    text_append(out, text_get(&head));
    append_cut(out, text_get(&body), taken < WORDING_SUBJECT ? WORDING_SUBJECT - taken : 0);
    text_append(out, text_get(&tail));
    text_free(&head);
    text_free(&body);
    text_free(&tail);
}

static void add_filled(json_t *letter, enum letter_part part, const char *phrase,
                       const struct phrase_values *v)
{
    struct text t = TEXT_INIT;
    phrases_fill(phrase, v, &t);
    letter_add(letter, part, text_get(&t));
    text_free(&t);
}

void wording_tell(const struct wording *w, const struct news *n, enum wording_why why,
                  json_t *letter)
{
    char id[EVENT_ID_SIZE], time[CLOCK_RFC3339_SIZE], since[CLOCK_RFC3339_SIZE];
    struct phrase_values v = values_of(w, n, id, time);
    const struct phrases_language *l = w->language;
    struct text title = TEXT_INIT;
    phrases_fill(subject_of(w, n->matter), &v, &title);
    letter_add(letter, LETTER_TITLE, text_get(&title));
    text_free(&title);
    letter_add_alarm(letter, n->alarm, alarm_kind_name(n->kind),
                     alarm_priority_name(n->priority), alarm_state_name(n->state));
    if (why == WHY_OVER) {
        add_filled(letter, LETTER_WHAT, wording_phrase(w, PHRASE_OVER_TEXT), &v);
        return;
    }
    add_filled(letter, LETTER_WHAT, l && l->what[n->matter] ? l->what[n->matter] : n->text, &v);
    if (n->over_wall_ms)
        add_filled(letter, LETTER_WHAT, wording_phrase(w, PHRASE_WAS_OVER), &v);
    add_filled(letter, LETTER_ACT, l && l->act[n->matter] ? l->act[n->matter] : n->advice, &v);
    if (v.circuit[0])
        add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_WHERE), &v);
    say_time(w, n->raised_wall_ms, since);
    v.time = since;
    add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_SINCE), &v);
    if (!n->over_wall_ms && n->state == ALARM_UNACKNOWLEDGED)
        add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_ACKNOWLEDGE), &v);
}

void wording_fill(const struct wording *w, enum phrase p, long count, long urgent, long trips,
                  struct text *out)
{
    const struct phrase_values v = {
        .site = w->site->name, .count = count, .urgent = urgent, .trips = trips};
    phrases_fill(wording_phrase(w, p), &v, out);
}
