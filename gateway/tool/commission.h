/*
 * commission - the parts of `foretrip commission`.
 *
 *     commission.c       the verb, and what was found as text
 *     commission_new.c   a bus that no site.cfg knows: scan, map, questions, a first site.cfg
 *     commission_live.c  a site's wiring, over its buses, with or without a walk
 *     commission_mend.c  what was found, into site.cfg
 */
#ifndef FORETRIP_TOOL_COMMISSION_H
#define FORETRIP_TOOL_COMMISSION_H

#include "analysis/wiring_check.h"
#include "config/reader.h"
#include "verbs.h"

struct commission_options {
    const char *bus, *directory;
    int first_unit, last_unit;
    int seconds; /* of the check, besides the walk */
    bool walk, yes;
};

/* Asks on standard output and reads a line of standard input; an empty one, or the end, gives
 * the fallback. */
void commission_ask(const char *question, const char *fallback, char *out, size_t capacity);
bool commission_agree(const char *question);

enum exit_code commission_new(const struct commission_options *o);
enum exit_code commission_live(const struct commission_options *o, struct config *c);

#define COMMISSION_MOST_FINDINGS 256

/* Asks for each mistake that site.cfg can say whether it is to, and writes it then. */
void commission_mend(const struct commission_options *o, const struct site *s,
                     const struct wiring_check *w);

/* Prints what is wrong, or that nothing is, and how much was compared. */
enum exit_code commission_say(const struct site *s, const struct wiring_check *w);

#endif
