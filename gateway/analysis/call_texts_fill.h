/*
 * call_texts_fill - the blanks of a service call's sentences, for the files that hold them.
 *
 * {breaker} {other} {position} {name} {panel} {rating} {before} {load} {peak}; another word in
 * braces gives nothing.
 */
#ifndef FORETRIP_CALL_TEXTS_FILL_H
#define FORETRIP_CALL_TEXTS_FILL_H

#include "call_texts.h"

/* p: how appliances are called in each language; NULL: by their keys. */
void call_texts_fill(const struct site *s, const struct phrases *p, const struct call *c,
                     enum call_language l, const char *text, struct text *out);

#endif
