/*
 * call_print - a service call on paper and on a terminal, out of call_sheet's JSON.
 */
#ifndef FORETRIP_TOOL_CALL_PRINT_H
#define FORETRIP_TOOL_CALL_PRINT_H

#include "model/site.h"

#include <jansson.h>
#include <stdio.h>

#define CALL_PRINT_COLUMNS 78
#define CALL_PRINT_LINES 60 /* of one page, A4 and Letter alike, at 6 lines an inch */

/* A paragraph, broken at words. */
void call_print_words(FILE *out, const char *indent, const char *words);

/* The question that stands, with its answers numbered from 1. */
void call_print_asked(FILE *out, const json_t *sheet);

/* The whole sheet on one page: steps in the middle give way when there are too many, and how
 * many is said. */
void call_print_sheet(FILE *out, const struct site *s, const json_t *sheet);

/* One line of a list. */
void call_print_row(FILE *out, const struct site *s, const json_t *call);

#endif
