#include "wording.h"

#include "analysis/loads.h"
#include "analysis/trip_texts.h"
#include "base/clock.h"

#include <math.h>
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

static const char *member(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

enum trip_cause wording_cause(const struct site *s, int circuit, const struct figures *f)
{
    enum trip_cause best = CAUSE_FAULT; /* not known is told as the dangerous one */
    double most = 0.0;
    for (int c = 0; c < CAUSE_COUNT; c++) {
        double percent = figures_get(f, (enum figure_what)(FIGURE_OVERLOAD + c));
        if (percent > most) {
            most = percent;
            best = (enum trip_cause)c;
        }
    }
    return circuit < 0 ? CAUSE_SUPPLY_OUTAGE : trip_texts_told_as(s, circuit, best);
}

bool news_from_json(const struct site *s, const json_t *alarm, struct news *out)
{
    size_t i;
    const json_t *load;
    struct news n = {.load_count = 0};
    int circuit = site_find_circuit(s, member(alarm, "circuit"));
    if (!alarm_kind_find(member(alarm, "kind"), &n.kind))
        return false;
    text_copy(n.alarm, sizeof n.alarm, member(alarm, "alarm"));
    text_copy(n.text, sizeof n.text, member(alarm, "text"));
    text_copy(n.advice, sizeof n.advice, member(alarm, "advice"));
    figures_from_json(json_object_get(alarm, "figures"), &n.figures);
    n.matter = matter_of(n.kind, json_is_true(json_object_get(alarm, "alert")),
                         wording_cause(s, circuit, &n.figures));
    json_array_foreach(json_object_get(alarm, "switch_off"), i, load)
    {
        if (n.load_count == NEWS_LOADS)
            break;
        struct news_load *l = &n.loads[n.load_count++];
        text_copy(l->appliance, sizeof l->appliance, member(load, "appliance"));
        l->amps = json_number_value(json_object_get(load, "amps"));
    }
    *out = n;
    return true;
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

/* the texts that the values of a phrase point to */
struct filled {
    char id[EVENT_ID_SIZE], time[CLOCK_RFC3339_SIZE];
    struct text amps, loads;
    struct phrase_values values;
};

static void list_loads(const struct wording *w, const struct news *n, struct text *out)
{
    for (size_t i = 0; i < n->load_count; i++) {
        text_append(out, i ? ", " : "");
        if (strcmp(n->loads[i].appliance, LOADS_UNKNOWN) == 0)
            text_append(out, wording_phrase(w, PHRASE_A_LOAD));
        else
            phrases_appliance(w->language, n->loads[i].appliance, out);
        text_append(out, " ");
        phrases_number(w->language, n->loads[i].amps, 1, out);
        text_append(out, " A");
    }
}

static void fill(const struct wording *w, const struct news *n, struct filled *f)
{
    double amps = figures_get(&n->figures, FIGURE_LOAD);
    *f = (struct filled){.values = {.site = w->site->name, .alarm = n->alarm}};
    set_subject(w->site, n->alarm, f->id, &f->values);
    if (!isnan(amps))
        phrases_number(w->language, amps, 1, &f->amps);
    list_loads(w, n, &f->loads);
    say_time(w, n->over_wall_ms ? n->over_wall_ms : n->raised_wall_ms, f->time);
    f->values.amps = text_get(&f->amps);
    f->values.loads = text_get(&f->loads);
    f->values.time = f->time;
}

static void empty(struct filled *f)
{
    text_free(&f->amps);
    text_free(&f->loads);
}

static size_t characters(const char *s)
{
    size_t n = 0;
    for (; *s; s++)
        n += ((unsigned char)*s & 0xc0) != 0x80;
    return n;
}

/* Appends as many characters as there is room for, with an ellipsis where it is cut. */
static void append_cut(struct text *out, const char *s, size_t room)
{
    if (characters(s) <= room) {
        text_append(out, s);
        return;
    }
    size_t keep = room > 1 ? room - 1 : 0, at = 0;
    for (size_t n = 0; s[at]; at++) {
        n += ((unsigned char)s[at] & 0xc0) != 0x80;
        if (n > keep)
            break;
    }
    while (at > 0 && s[at - 1] == ' ')
        at--;
    text_append_bytes(out, s, at);
    text_append(out, "\xe2\x80\xa6");
}

void wording_subject(const struct wording *w, const struct news *n, enum wording_why why,
                     size_t more, struct text *out)
{
    struct filled f;
    struct text head = TEXT_INIT, body = TEXT_INIT, tail = TEXT_INIT;
    fill(w, n, &f);
    if (why == WHY_OVER)
        text_append(&head, wording_phrase(w, PHRASE_OVER));
    else if (n->priority == PRIORITY_URGENT && why != WHY_ANSWERED)
        text_append(&head, wording_phrase(w, PHRASE_URGENT));
    if (why == WHY_AGAIN)
        text_append(&head, wording_phrase(w, PHRASE_AGAIN));
    if (why == WHY_CHANGED)
        text_append(&head, wording_phrase(w, PHRASE_CHANGED));
    if (why == WHY_UNANSWERED)
        text_append(&head, wording_phrase(w, PHRASE_UNANSWERED));
    if (why == WHY_ANSWERED)
        text_append(&head, wording_phrase(w, PHRASE_ANSWERED));
    if (more > 0)
        text_printf(&tail, " (+%zu)", more);
    phrases_fill(subject_of(w, n->matter), &f.values, &body);
    size_t taken = characters(text_get(&head)) + characters(text_get(&tail));
    text_append(out, text_get(&head));
    append_cut(out, text_get(&body), taken < WORDING_SUBJECT ? WORDING_SUBJECT - taken : 0);
    text_append(out, text_get(&tail));
    text_free(&head);
    text_free(&body);
    text_free(&tail);
    empty(&f);
}

static void add_filled(json_t *letter, enum letter_part part, const char *phrase,
                       const struct phrase_values *v)
{
    struct text t = TEXT_INIT;
    phrases_fill(phrase, v, &t);
    letter_add(letter, part, text_get(&t));
    text_free(&t);
}

static void add_text(json_t *letter, enum letter_part part, struct text *t)
{
    if (t->length > 0)
        letter_add(letter, part, text_get(t));
    text_free(t);
}

/* a phrase of the language, or the alarm's own words as they are */
static void fill_phrase(const struct wording *w, const struct news *n, const char *phrase,
                        const char *own, struct text *out)
{
    struct filled f;
    if (!phrase) {
        text_append(out, own);
        return;
    }
    fill(w, n, &f);
    phrases_fill(phrase, &f.values, out);
    empty(&f);
}

void wording_what(const struct wording *w, const struct news *n, struct text *out)
{
    const struct phrases_language *l = w->language;
    fill_phrase(w, n, l ? l->what[n->matter] : NULL, n->text, out);
}

void wording_act(const struct wording *w, const struct news *n, struct text *out)
{
    const struct phrases_language *l = w->language;
    fill_phrase(w, n, l ? l->act[n->matter] : NULL, n->advice, out);
}

void wording_figures(const struct wording *w, const struct news *n, struct text *out)
{
    phrases_figures(w->language, &n->figures, out);
}

static void tell_figures(const struct wording *w, const struct news *n, json_t *letter)
{
    struct text t = TEXT_INIT;
    if (n->figures.count > 0) {
        text_append(&t, wording_phrase(w, PHRASE_FIGURES));
        wording_figures(w, n, &t);
    }
    add_text(letter, LETTER_SMALL, &t);
}

void wording_tell(const struct wording *w, const struct news *n, enum wording_why why,
                  const char *who, bool judges, json_t *letter)
{
    char since[CLOCK_RFC3339_SIZE];
    struct filled f;
    struct text title = TEXT_INIT, what = TEXT_INIT, act = TEXT_INIT;
    fill(w, n, &f);
    phrases_fill(subject_of(w, n->matter), &f.values, &title);
    add_text(letter, LETTER_TITLE, &title);
    letter_add_alarm(letter, n->alarm, alarm_kind_name(n->kind),
                     alarm_priority_name(n->priority), alarm_state_name(n->state));
    if (why == WHY_OVER || why == WHY_ANSWERED) {
        f.values.who = n->by;
        add_filled(letter, LETTER_WHAT,
                   wording_phrase(w, why == WHY_OVER ? PHRASE_OVER_TEXT : PHRASE_ANSWERED_TEXT),
                   &f.values);
        empty(&f);
        return;
    }
    if (why == WHY_UNANSWERED) {
        f.values.who = who;
        add_filled(letter, LETTER_WHAT, wording_phrase(w, PHRASE_UNANSWERED_TEXT), &f.values);
    }
    if (why == WHY_CHANGED)
        letter_add(letter, LETTER_WHAT, wording_phrase(w, PHRASE_CHANGED_TEXT));
    wording_what(w, n, &what);
    add_text(letter, LETTER_WHAT, &what);
    if (n->over_wall_ms)
        add_filled(letter, LETTER_WHAT, wording_phrase(w, PHRASE_WAS_OVER), &f.values);
    wording_act(w, n, &act);
    add_text(letter, LETTER_ACT, &act);
    if (judges)
        tell_figures(w, n, letter);
    if (f.values.circuit[0])
        add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_WHERE), &f.values);
    say_time(w, n->raised_wall_ms, since);
    f.values.time = since;
    add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_SINCE), &f.values);
    if (!n->over_wall_ms && n->state == ALARM_UNACKNOWLEDGED && !news_is_alert(n))
        add_filled(letter, LETTER_SMALL, wording_phrase(w, PHRASE_ACKNOWLEDGE), &f.values);
    empty(&f);
}

void wording_heading(const struct wording *w, enum phrase p, struct text *out)
{
    struct text whole = TEXT_INIT;
    wording_fill(w, p, 0, 0, 0, &whole);
    append_cut(out, text_get(&whole), WORDING_SUBJECT);
    text_free(&whole);
}

void wording_fill(const struct wording *w, enum phrase p, long count, long urgent, long trips,
                  struct text *out)
{
    const struct phrase_values v = {
        .site = w->site->name, .count = count, .urgent = urgent, .trips = trips};
    phrases_fill(wording_phrase(w, p), &v, out);
}
