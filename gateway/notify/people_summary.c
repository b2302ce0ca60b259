/* people - the daily or weekly summary */
#include "people_parts.h"

/* the next moment after wall_ms at which a summary is due */
static int64_t next_summary(const struct delivery_person *d, int64_t wall_ms,
                            int32_t utc_offset_seconds)
{
    int64_t local = wall_ms / MINUTE_MS + utc_offset_seconds / 60;
    int64_t day = local / DAY_MINUTES;
    if (local % DAY_MINUTES >= d->summary_minute)
        day++;
    if (d->summary == SUMMARY_WEEKLY) /* 1970-01-01 was a Thursday */
        while ((day + 3) % 7 != 0)
            day++;
    return (day * DAY_MINUTES + d->summary_minute - utc_offset_seconds / 60) * MINUTE_MS;
}

static void summarise(struct people *p, int person, int64_t wall_ms, int32_t utc_offset_seconds)
{
    const struct delivery_person *d = &p->delivery->people[person];
    struct reader *r = &p->readers[person];
    struct wording w;
    struct text subject = TEXT_INIT, body = TEXT_INIT, line = TEXT_INIT;
    size_t standing = 0;
    wording_init(&w, p->phrases, d->language, p->site, utc_offset_seconds);
    wording_heading(&w, PHRASE_SUMMARY, &subject);
    wording_fill(&w, PHRASE_SUMMARY_TEXT, r->raised, r->urgent, r->trips, &body);
    json_t *letter =
        letter_create(p->site->id, d->id, w.language->code, "low", wall_ms, text_get(&subject));
    if (letter) {
        letter_add(letter, LETTER_TITLE, text_get(&subject));
        letter_add(letter, LETTER_WHAT, text_get(&body));
        for (const struct known *k = p->known; k; k = k->next) {
            if (!people_stands(&k->news) || (int)k->news.priority > d->least)
                continue;
            if (standing++ == 0)
                letter_add(letter, LETTER_WHAT, wording_phrase(&w, PHRASE_SUMMARY_STANDING));
            text_clear(&line);
            wording_subject(&w, &k->news, WHY_NEW, 0, &line);
            letter_add(letter, LETTER_WHAT, text_get(&line));
        }
        if (standing == 0)
            letter_add(letter, LETTER_WHAT, wording_phrase(&w, PHRASE_SUMMARY_QUIET));
        letter_add(letter, LETTER_SMALL, wording_phrase(&w, PHRASE_CAUTION));
    }
    people_post(p, person, letter, wall_ms, 24 * HOUR_MS);
    r->raised = r->urgent = r->trips = 0;
    text_free(&subject);
    text_free(&body);
    text_free(&line);
}

void people_summary_tick(struct people *p, int person, int64_t wall_ms,
                         int32_t utc_offset_seconds)
{
    const struct delivery_person *d = &p->delivery->people[person];
    struct reader *r = &p->readers[person];
    if (d->summary == SUMMARY_NONE)
        return;
    /* what was planned by another offset, zone or configuration: the nearest moment by this one
     */
    if (r->summary_wall_ms > 0 && next_summary(d, r->summary_wall_ms - MINUTE_MS,
                                               utc_offset_seconds) != r->summary_wall_ms)
        r->summary_wall_ms =
            next_summary(d, r->summary_wall_ms - 12 * HOUR_MS, utc_offset_seconds);
    bool due = r->summary_wall_ms > 0 && wall_ms >= r->summary_wall_ms;
    if (due)
        summarise(p, person, wall_ms, utc_offset_seconds);
    /* also when the clock was set back */
    int64_t next = next_summary(d, wall_ms, utc_offset_seconds);
    if (due || r->summary_wall_ms == 0 || r->summary_wall_ms > next) {
        r->summary_wall_ms = next;
        p->changed = true;
    }
}
