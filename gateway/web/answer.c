#include "answer.h"

#include "api.h"

#include <string.h>

struct route {
    struct web_route at;
    api_function *function;
    enum act act;
};

static const struct route routes[] = {
    {{"GET", "/api/v1/site", NULL}, api_site, ACT_SEE},
    {{"GET", "/api/v1/status", NULL}, api_status, ACT_SEE},
    {{"GET", "/api/v1/circuits", NULL}, api_circuits, ACT_SEE},
    {{"GET", "/api/v1/circuits/", ""}, api_circuit, ACT_SEE},
    {{"GET", "/api/v1/circuits/", "/history"}, api_history, ACT_SEE},
    {{"GET", "/api/v1/circuits/", "/alarms"}, api_circuit_alarms, ACT_SEE},
    {{"GET", "/api/v1/circuits/", "/energy"}, api_energy, ACT_SEE},
    {{"GET", "/api/v1/circuits/", "/export.csv"}, api_export, ACT_SEE_LOADS},
    {{"POST", "/api/v1/circuits/", "/name"}, api_name, ACT_NAME},
    {{"POST", "/api/v1/circuits/", "/breaker-replaced"}, api_replaced, ACT_CORRECT},
    {{"GET", "/api/v1/loads", NULL}, api_loads, ACT_SEE_LOADS},
    {{"GET", "/api/v1/alarms", NULL}, api_alarms, ACT_SEE},
    {{"POST", "/api/v1/alarms/", "/acknowledge"}, api_acknowledge, ACT_ACKNOWLEDGE},
    {{"POST", "/api/v1/alarms/", "/shelve"}, api_shelve, ACT_SHELVE},
    {{"POST", "/api/v1/alarms/", "/unshelve"}, api_unshelve, ACT_ACKNOWLEDGE},
    {{"POST", "/api/v1/alarms/", "/out-of-service"}, api_out_of_service, ACT_OUT_OF_SERVICE},
    {{"POST", "/api/v1/alarms/", "/in-service"}, api_in_service, ACT_OUT_OF_SERVICE},
    {{"GET", "/api/v1/trips", NULL}, api_trips, ACT_SEE},
    {{"GET", "/api/v1/trips/", ""}, api_trip, ACT_SEE},
    {{"GET", "/api/v1/trips/", "/record"}, api_trip_record, ACT_SEE_LOADS},
    {{"POST", "/api/v1/trips/", "/correct"}, api_correct, ACT_CORRECT},
    {{"POST", "/api/v1/trips/", "/note"}, api_note, ACT_NOTE},
    {{"GET", "/api/v1/calls", NULL}, api_calls, ACT_SEE},
    {{"GET", "/api/v1/calls/", ""}, api_call, ACT_SEE},
    {{"POST", "/api/v1/calls", NULL}, api_call_begin, ACT_CALL},
    {{"POST", "/api/v1/calls/", "/answer"}, api_call_answer, ACT_CALL},
    {{"POST", "/api/v1/calls/", "/stop"}, api_call_stop, ACT_NOTE},
    {{"POST", "/api/v1/calls/", "/note"}, api_call_note, ACT_NOTE},
    {{"GET", "/api/v1/events", NULL}, api_events, ACT_SEE},
    {{"GET", "/api/v1/trace", NULL}, api_trace, ACT_NAME},
    {{"GET", "/api/v1/directory", NULL}, api_directory, ACT_SEE},
    {{"GET", "/api/v1/directory.csv", NULL}, api_directory_csv, ACT_SEE},
    {{"GET", "/api/v1/directory/changes", NULL}, api_directory_changes, ACT_SEE},
    {{"POST", "/api/v1/directory/keep", NULL}, api_directory_keep, ACT_NAME},
    {{"POST", "/api/v1/directory/place", NULL}, api_directory_place, ACT_NAME},
    {{"POST", "/api/v1/directory/forget", NULL}, api_directory_forget, ACT_NAME},
    {{"POST", "/api/v1/directory/purpose", NULL}, api_directory_purpose, ACT_DIRECTORY},
    {{"POST", "/api/v1/directory/import", NULL}, api_directory_import, ACT_DIRECTORY},
    {{"GET", "/api/v1/stream", NULL}, api_stream, ACT_SEE},
    {{"GET", "/api/v1/phrases", NULL}, api_phrases, ACT_SEE},
    {{"GET", "/api/v1/study", NULL}, api_study, ACT_SEE},
    {{"GET", "/api/v1/advice", NULL}, api_advice, ACT_SEE_LOADS},
    {{"GET", "/api/v1/session", NULL}, api_session, ACT_NOTHING},
    {{"POST", "/api/v1/session", NULL}, api_login, ACT_NOTHING},
    {{"POST", "/api/v1/session/choose", NULL}, api_choose, ACT_NOTHING},
    {{"POST", "/api/v1/session/password", NULL}, api_password, ACT_SEE},
    {{"POST", "/api/v1/session/end", NULL}, api_logout, ACT_SEE},
    {{"GET", "/api/v1/people", NULL}, api_people, ACT_PEOPLE},
    {{"POST", "/api/v1/people/", "/invite"}, api_invite, ACT_PEOPLE},
    {{"POST", "/api/v1/people/", "/end"}, api_end, ACT_PEOPLE},
    {{"POST", "/api/v1/visits", NULL}, api_visit, ACT_PEOPLE},
    {{"POST", "/api/v1/visits/", "/end"}, api_end, ACT_PEOPLE},
    {{"GET", "/api/v1/audit", NULL}, api_audit, ACT_PEOPLE},
};
#define ROUTES (sizeof routes / sizeof routes[0])

/* Whoever asks, into the call; false having answered. */
static bool may(struct api_call *c, const struct route *t, struct web_answer *out)
{
    struct access *a = c->x->access;
    c->who = (struct access_who){.role = ROLE_ADMINISTRATOR};
    if (!a)
        return true;
    bool in = c->r->session && access_find(a, c->r->session, c->wall_ms, &c->who);
    c->discreet = !in || !role_may(c->who.role, ACT_SEE_LOADS);
    if (!in)
        c->who = (struct access_who){0};
    if (t->act == ACT_NOTHING)
        return true;
    if (!in)
        web_error(out, 401, "log in first: POST /api/v1/session");
    else if (!role_may(c->who.role, t->act))
        web_error(out, 403, "%s as %s may not do that", c->who.name,
                  delivery_role_name(c->who.role));
    else
        return guard_token(c->r, &c->who, out);
    return false;
}

static void answer_api(struct api_call *c, struct web_answer *out)
{
    const struct route *t = guard_route(routes, ROUTES, sizeof routes[0], c->r, c->id, out);
    if (!t)
        return;
    if (may(c, t, out))
        t->function(c, out);
    out->who = c->who;
    out->discreet = c->discreet;
}

void web_answer_request(const struct web_context *x, struct store_reader *reader,
                        const struct web_request *r, int64_t wall_ms, struct web_answer *out)
{
    static const char described[] = "/api/v1/openapi.json";
    struct api_call c = {.x = x, .reader = reader, .r = r, .wall_ms = wall_ms};
    if (!guard_bounds(r, x->local, out))
        return;
    if (strcmp(r->path, described) == 0)
        guard_asset(r, asset_find(assets, "/openapi.json"), out);
    else if (strncmp(r->path, "/api/", 5) == 0)
        answer_api(&c, out);
    else
        guard_asset(r, asset_find(assets, r->path), out);
    guard_unchanged(r, out);
}
