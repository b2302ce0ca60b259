/*
 * centre_api - the answers of centre_answer.h, one function a route.
 *
 * Each gets the id that stood in the path ("" where there is none) and fills the answer.
 */
#ifndef FORETRIP_FLEET_CENTRE_API_H
#define FORETRIP_FLEET_CENTRE_API_H

#include "centre_answer.h"
#include "centre_role.h"

#include "model/event.h"
#include "web/guard.h"

struct centre_call {
    const struct centre_context *x;
    struct sql *sql;
    const struct web_request *r;
    int64_t wall_ms;
    char id[EVENT_ID_SIZE];
    struct access_who who; /* where nobody logs in: an administrator without an id */
    enum sql_err err;      /* of the store, the last one */
};

typedef void centre_function(struct centre_call *c, struct web_answer *out);

/* centre_portfolio.c */
centre_function centre_portfolio, centre_buildings, centre_units, centre_trips, centre_counts;
/* centre_unit.c */
centre_function centre_unit, centre_trip, centre_sheet, centre_place, centre_consent;
centre_function centre_revoke;
/* centre_orders.c */
centre_function centre_orders, centre_order, centre_order_make, centre_order_assign;
centre_function centre_order_done, centre_order_cancel, centre_order_reopen;
centre_function centre_order_note, centre_order_attach, centre_contractors;
/* centre_export.c */
centre_function centre_units_csv, centre_trips_csv, centre_alarms_csv, centre_orders_csv;
/* centre_people.c */
centre_function centre_session, centre_login, centre_choose, centre_password, centre_logout;
centre_function centre_people, centre_invite, centre_end, centre_audit;

/* Answers what the store's error means; false when it was none. */
bool centre_failed(struct centre_call *c, enum sql_err err, struct web_answer *out);

/* A text of a body; "" where it is not there and not needed. False having answered 400. */
bool centre_text(const json_t *body, const char *member, bool needed, size_t size,
                 const char **out, struct web_answer *a);
/* A time of a body, RFC 3339; *wall_ms stays when it is not there and not needed. */
bool centre_time(const json_t *body, const char *member, bool needed, int64_t *wall_ms,
                 struct web_answer *a);

/* Who asks, as it stands beside what they did. */
const char *centre_who(const struct centre_call *c);
const char *centre_who_role(const struct centre_call *c);

/* There is that unit, and whoever asks may see it; *loads: with what is on there. False having
 * answered. */
bool centre_may_see(struct centre_call *c, const char *unit, bool *loads,
                    struct web_answer *out);

/* A JSON time, null for 0. */
json_t *centre_time_json(int64_t wall_ms);
/* The unit's own members: unit, name, building, place, online, heard_at. */
struct portfolio_site;
json_t *centre_site_json(const struct portfolio_site *s);
/* An event as it was sent, less what may not be seen; NULL when it cannot be read. */
json_t *centre_event(const char *json, const char *place, bool loads);

/* Says in the log of the page who did what. */
void centre_note(struct centre_call *c, const char *act, const char *subject,
                 const char *result);

#endif
