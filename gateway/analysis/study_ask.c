/* Which sheets answer a question. */
#include "study.h"

static void by_record(const struct load_study *l, const struct site *s, int panel,
                      const struct study_record *panels, const struct study_addition *a,
                      struct study_sheet *out)
{
    if (s->standard == SITE_IEC60898)
        study_design(l, s, -1, panel, &panels[panel], a, out);
    else
        study_recorded(l, s, panel, &panels[panel], a, out);
}

/* the panel and every one before it, up to the service */
static size_t upward(const struct load_study *l, const struct site *s,
                     const struct study_record *panels, int panel,
                     const struct study_addition *a, struct study_sheet *out)
{
    size_t n = 0;
    while (panel >= 0 && n < s->panel_count) {
        by_record(l, s, panel, panels, a, &out[n++]);
        int feeder = s->panels[panel].fed_by;
        panel = feeder >= 0 ? s->circuits[feeder].panel : -1;
    }
    return n;
}

size_t study_ask(const struct load_study *l, const struct site *s,
                 const struct study_record *circuits, const struct study_record *panels,
                 const struct study_question *q, struct study_sheet *out)
{
    const struct code_edition *e = &l->editions[l->edition];
    size_t n = 0;
    if (q->circuit >= 0) {
        const struct site_circuit *c = &s->circuits[q->circuit];
        if (s->standard == SITE_IEC60898)
            study_design(l, s, q->circuit, -1, &circuits[q->circuit], &q->addition, &out[n++]);
        else if (c->feeds_panel < 0)
            study_branch(l, s, q->circuit, &circuits[q->circuit], &q->addition, &out[n++]);
        /* a feeder's own sheet is that of the panel behind it */
        int panel =
            s->standard != SITE_IEC60898 && c->feeds_panel >= 0 ? c->feeds_panel : c->panel;
        return n + upward(l, s, panels, panel, &q->addition, out + n);
    }
    if (q->panel >= 0)
        return upward(l, s, panels, q->panel, &q->addition, out);
    for (size_t p = 0; p < s->panel_count; p++)
        by_record(l, s, (int)p, panels, &q->addition, &out[n++]);
    for (size_t d = 0; d < l->dwelling_count; d++) {
        study_optional(e, s, &l->dwellings[d], &out[n++]);
        study_existing(e, s, &l->dwellings[d], &out[n++]);
    }
    return n;
}

enum study_verdict study_verdict_of(const struct study_sheet *sheets, size_t count)
{
    enum study_verdict all = STUDY_NOTHING_ASKED;
    for (size_t i = 0; i < count; i++) {
        enum study_verdict v = sheets[i].verdict;
        if (v == STUDY_DOES_NOT_FIT)
            return v;
        if (v == STUDY_UNDECIDED || (v == STUDY_FITS && all == STUDY_NOTHING_ASKED))
            all = v;
    }
    return all;
}
