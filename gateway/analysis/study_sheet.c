#include "study_sheet.h"

#include "base/text.h"

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* What is not known is a "?" in the arithmetic. */
static void mark_unknown(char *sum)
{
    for (char *at; (at = strstr(sum, "nan")) != NULL;) {
        char *from = at > sum && at[-1] == '-' ? at - 1 : at;
        *from = '?';
        memmove(from + 1, at + 3, strlen(at + 3) + 1);
    }
}

static void add(struct study_sheet *t, enum study_item item, enum study_unit unit, double value,
                const char *section, const char *sum, va_list args)
{
    assert(t->step_count < STUDY_MOST_STEPS);
    struct study_step *x = &t->steps[t->step_count++];
    *x = (struct study_step){.item = item, .unit = unit, .value = value};
    if (section)
        text_copy(x->section, sizeof x->section, section);
    if (sum) {
        vsnprintf(x->sum, sizeof x->sum, sum, args);
        mark_unknown(x->sum);
    }
}

double sheet_add(struct study_sheet *t, enum study_item item, enum study_unit unit,
                 double value, const char *section, const char *sum, ...)
{
    va_list args;
    va_start(args, sum);
    add(t, item, unit, value, section, sum, args);
    va_end(args);
    return value;
}

void sheet_condition(struct study_sheet *t, enum study_item item, double met, bool needed,
                     const char *section, const char *sum, ...)
{
    va_list args;
    va_start(args, sum);
    add(t, item, UNIT_CONDITION, met, section, sum, args);
    va_end(args);
    if (!needed)
        return;
    if (isnan(met) && t->verdict != STUDY_DOES_NOT_FIT)
        t->verdict = STUDY_UNDECIDED;
    else if (met == 0.0)
        t->verdict = STUDY_DOES_NOT_FIT;
}

void sheet_hold_against(struct study_sheet *t, enum study_item item, double value, double limit,
                        const char *section)
{
    if (isnan(value) || isnan(limit))
        sheet_condition(t, item, (double)NAN, !isnan(limit), section, NULL);
    else
        sheet_condition(t, item, value <= limit + 1e-9, true, section, "%.2f <= %.2f", value,
                        limit);
}

char *sheet_section(const struct code_edition *e, const char *rest,
                    char out[STUDY_SECTION_SIZE])
{
    snprintf(out, STUDY_SECTION_SIZE, "%d%s", e->article, rest);
    return out;
}

double sheet_panel_rating(const struct site *s, int panel)
{
    const struct site_panel *p = &s->panels[panel];
    double rating = p->rating_amps;
    return p->fed_by >= 0 ? fmin(rating, s->circuits[p->fed_by].breaker_amps) : rating;
}
