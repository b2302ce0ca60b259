/*
 * config_case - a good configuration, one edit in it, and what must be said of it, word for
 * word.
 */
#ifndef FORETRIP_TEST_CONFIG_CASE_H
#define FORETRIP_TEST_CONFIG_CASE_H

#include "check.h"

#include "config/reader.h"

/* A site with two panels, two buses, two meters and three circuits, 22 lines. */
extern const char config_case_site[];

/* The text with the first `from` replaced by `to`; fails the test when there is none. Freed by
 * the caller. */
char *config_case_edit(const char *text, const char *from, const char *to);

struct config_case {
    const char *from, *to; /* the edit, in site.cfg; NULL: none */
    const char *said;      /* lines of faults_print; "" for a clean one */
};

/* Loads the edited site together with the other texts and compares; a case counts as usable
 * when no line of `said` is an error. Fails the test naming the case. */
void config_case_run(const struct config_case *c, const struct config_text *others,
                     size_t count);

#endif
