/*
 * call_sheet - everything that is to be shown of one service call, as one JSON object: the
 * question that stands with its words and answers, or what was found; the loads; every step in
 * words. The page, its printed sheet and `foretrip call` all show this, so their numbers are
 * one.
 */
#ifndef FORETRIP_CALL_SHEET_H
#define FORETRIP_CALL_SHEET_H

#include "call_texts.h"

#include <jansson.h>

/* p: how appliances are called, NULL: by their keys; call: as call_to_json; steps: an array of
 * call_step_to_json; trip: the trip's event, NULL for none. All borrowed. NULL when the call is
 * not one of this site, or memory is short. */
json_t *call_sheet(const struct site *s, const struct phrases *p, enum call_language l,
                   const json_t *call, const json_t *steps, const json_t *trip);

#endif
