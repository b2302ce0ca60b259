/*
 * call_parts - what the record has of one service call, as JSON: for analysis/call_sheet.h.
 *
 * Ownership  call_parts_read .. call_parts_free by the same owner
 */
#ifndef FORETRIP_STORE_CALL_PARTS_H
#define FORETRIP_STORE_CALL_PARTS_H

#include "reader.h"

#include <jansson.h>

struct call_parts {
    json_t *call;  /* call_to_json, with the record's seq; NULL: there is none of that id */
    json_t *steps; /* an array */
    json_t *trip;  /* the last event of its trip, NULL: none */
};

enum store_err call_parts_read(struct store_reader *r, const char *id, struct call_parts *out);
void call_parts_free(struct call_parts *p);

#endif
