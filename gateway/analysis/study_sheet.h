/*
 * study_sheet - a sheet being written: a step, a condition, the verdict. For study*.c only.
 */
#ifndef FORETRIP_STUDY_SHEET_H
#define FORETRIP_STUDY_SHEET_H

#include "study.h"

/* Returns the value. section and sum (printf) may be NULL. */
double sheet_add(struct study_sheet *t, enum study_item item, enum study_unit unit,
                 double value, const char *section, const char *sum, ...)
    __attribute__((format(printf, 6, 7)));

/* met: 1, 0, or NaN for what a person must judge. needed: the verdict hangs on it. */
void sheet_condition(struct study_sheet *t, enum study_item item, double met, bool needed,
                     const char *section, const char *sum, ...)
    __attribute__((format(printf, 6, 7)));

/* value <= limit, as a needed condition; a limit of NaN is not known and decides nothing. */
void sheet_hold_against(struct study_sheet *t, enum study_item item, double value, double limit,
                        const char *section);

/* "220.82(B)": article, then the rest. Returns out. */
char *sheet_section(const struct code_edition *e, const char *rest,
                    char out[STUDY_SECTION_SIZE]);

/* A panel's, or that of the breaker that feeds it when it is smaller. */
double sheet_panel_rating(const struct site *s, int panel);

#endif
