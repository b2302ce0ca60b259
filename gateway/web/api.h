/*
 * api - the answers under /api/v1, one function a route; answer.h has the list.
 *
 * Each gets the id that stood in the path ("" where there is none) and fills the answer.
 */
#ifndef FORETRIP_WEB_API_H
#define FORETRIP_WEB_API_H

#include "answer.h"

struct api_call {
    const struct web_context *x;
    struct store_reader *reader;
    const struct web_request *r;
    int64_t wall_ms;
    char id[EVENT_ID_SIZE];
};

typedef void api_function(const struct api_call *c, struct web_answer *out);

/* api_site.c */
api_function api_site, api_status, api_circuits, api_circuit, api_loads, api_stream;
/* api_record.c */
api_function api_alarms, api_trips, api_trip, api_events;
/* api_ask.c: what is asked of the engine's thread */
api_function api_acknowledge, api_shelve, api_name, api_correct;
/* api_history.c */
api_function api_history, api_export, api_trip_record;

/* Answers what the store's error means, false when it was none. */
bool api_store_failed(enum store_err err, struct web_answer *out);
/* The circuit of the path, -1 having answered 404. */
int api_circuit_of(const struct api_call *c, struct web_answer *out);
/* The trip of the path, a new reference; false having answered. */
bool api_find_trip(const struct api_call *c, struct web_answer *out, json_t **trip,
                   int64_t *opened_wall_ms);

#endif
