/*
 * kept - the loads as the gateway last kept them, for the verbs that show or name them.
 */
#ifndef FORETRIP_TOOL_KEPT_H
#define FORETRIP_TOOL_KEPT_H

#include "record.h"

#include "analysis/engine.h"

#include <jansson.h>

/* An engine with what was learned, and with the names that wait to be taken over; NULL, having
 * said why. Borrows the configuration. */
struct engine *kept_engine(const struct record *r, const char *verb);

/* The same, but NULL without a word when the gateway has learned nothing yet. */
struct engine *kept_learned(const struct record *r, const char *verb);

json_t *kept_json(const struct site *s, size_t circuit, const struct loads_known *k);

/* The local hour in which most of its runs begin: the first of the fullest three. */
int kept_usual_hour(const struct loads_known *k);

/* EXIT_GOOD when all of it could be written; takes the reference. */
enum exit_code kept_print_json(json_t *value);

#endif
