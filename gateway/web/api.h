/*
 * api - the answers under /api/v1, one function a route; answer.h has the list.
 *
 * Each gets the id that stood in the path ("" where there is none) and fills the answer.
 */
#ifndef FORETRIP_WEB_API_H
#define FORETRIP_WEB_API_H

#include "answer.h"
#include "guard.h"

struct api_call {
    const struct web_context *x;
    struct store_reader *reader;
    const struct web_request *r;
    int64_t wall_ms;
    char id[EVENT_ID_SIZE];
    struct access_who who; /* where nobody logs in: an administrator without an id */
    bool discreet;         /* they may not see what discreet.h leaves out */
};

typedef void api_function(const struct api_call *c, struct web_answer *out);

/* api_site.c */
api_function api_site, api_status, api_circuits, api_circuit, api_loads, api_stream;
api_function api_phrases;
/* api_record.c */
api_function api_alarms, api_circuit_alarms, api_trips, api_trip, api_events;
/* api_calls.c */
api_function api_calls, api_call, api_call_begin, api_call_answer, api_call_stop;
api_function api_call_note;
/* api_ask.c: what is asked of the engine's thread */
api_function api_acknowledge, api_shelve, api_unshelve, api_out_of_service, api_in_service;
api_function api_name, api_replaced, api_correct, api_note;
/* api_people.c: who is in, who may come in, who did what */
api_function api_session, api_login, api_choose, api_password, api_logout;
api_function api_people, api_invite, api_visit, api_end, api_audit;
/* api_energy.c */
api_function api_energy;
/* api_study.c: what goes to the desk */
api_function api_study, api_advice;
/* api_directory.c: the panel directory, and tracing */
api_function api_directory, api_directory_csv, api_directory_changes, api_trace;
api_function api_directory_keep, api_directory_place, api_directory_forget;
api_function api_directory_purpose, api_directory_import;
/* api_history.c */
api_function api_history, api_export, api_trip_record;

/* Answers what the store's error means, false when it was none. */
bool api_store_failed(enum store_err err, struct web_answer *out);
/* The body goes to the engine's thread with what it is about; takes the reference. Whoever is
 * logged in is who they are, whatever the body says. */
void api_ask(const struct api_call *c, json_t *body, const char *verb, const char *member,
             const char *subject, struct web_answer *out);
/* The circuit of the path, -1 having answered 404. */
int api_circuit_of(const struct api_call *c, struct web_answer *out);
/* The same with the query's from and to: the last usual_ms where it names neither, most_ms at
 * the most, or 400 with `why`. */
int api_span_of(const struct api_call *c, struct web_answer *out, int64_t usual_ms,
                int64_t most_ms, const char *why, int64_t *from, int64_t *to);
/* The trip of the path, a new reference; false having answered. */
bool api_find_trip(const struct api_call *c, struct web_answer *out, json_t **trip,
                   int64_t *opened_wall_ms);

#endif
