/* the centre's page: every route by every role; what a manager is not told without the tenant's
 * consent, and a contractor but for the time of a job; what is kept of the door */
#include "check.h"
#include "fleet_store.h"

#include "base/clock.h"
#include "fleet/centre_answer.h"
#include "fleet/centre_record.h"
#include "fleet/centre_role.h"
#include "fleet/discreet_sheet.h"
#include "fleet/orders.h"
#include "fleet/portfolio.h"

#include <stdlib.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25T10:40:00Z */
#define HOUR INT64_C(3600000)

static const char rows[] =
    "INSERT INTO sites (id, name, building, unit, online, heard_ms) VALUES"
    " ('maple-12', '12 Maple', 'Maple House', '12', 1, 1795603190000),"
    " ('oak-3', '3 Oak_Lane', '', '', 0, 1795590000000),"
    " ('oak-4', '=4 Oak', 'Oak House', '4', 1, 1795603190000);"
    "INSERT INTO trips (site, trip, panel, circuit, opened_ms, stage, probability, cause, json)"
    " VALUES (1, 'main-07-1', 'main', 'main-07', 1795600000000, 'confirmed', 0.95, 'overload',"
    " '{\"type\":\"trip\",\"trip\":\"main-07-1\",\"circuit\":\"main-07\",\"cause\":"
    "\"overload\","
    "\"opened_at\":\"2026-11-25T09:46:40.000Z\",\"loads\":[{\"appliance\":\"kettle\","
    "\"amps\":8.25}]}');"
    "INSERT INTO alarms (site, alarm, panel, circuit, kind, priority, state, alert, raised_ms,"
    " changed_ms, seq, json) VALUES (1, 'main-07.trip', 'main', 'main-07', 'trip', 'high',"
    " 'unacknowledged', 0, 1795600000000, 1795600000000, 1, '{\"type\":\"alarm\","
    "\"text\":\"Too much was on: a kettle.\",\"advice\":\"Switch the kettle off.\"}')";

struct rig {
    struct fleet_store store;
    struct sql *sql;
    struct delivery people;
    struct access *access;
    struct centre_context context;
    int64_t wall_ms;
};

static void add_person(struct delivery *d, const char *id, const char *name,
                       enum delivery_role role)
{
    struct delivery_person *p = &d->people[d->person_count++];
    text_copy(p->id, sizeof p->id, id);
    text_copy(p->name, sizeof p->name, name);
    p->role = (int)role;
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    fleet_store_make(&r->store);
    r->sql = fleet_store_open(&r->store, rows);
    *state = r;
    add_person(&r->people, "ada", "Ada Lind", ROLE_ADMINISTRATOR);
    add_person(&r->people, "mo", "Mo Diaz", ROLE_MANAGER);
    add_person(&r->people, "rosa", "Rosa Vega", ROLE_CONTRACTOR);
    add_person(&r->people, "sam", "Sam Ode", ROLE_CONTRACTOR);
    r->access = access_create(&r->people);
    r->context = (struct centre_context){.people = &r->people, .access = r->access};
    r->wall_ms = NOW;
    return r->access ? 0 : -1;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    access_destroy(r->access);
    sql_close(r->sql);
    fleet_store_remove(&r->store);
    free(r);
    return 0;
}

struct in {
    char session[ACCESS_TOKEN_SIZE];
    char token[ACCESS_CSRF_SIZE];
};

static struct in put_in(struct rig *r, const char *id)
{
    struct in in;
    struct access_who who;
    assert_true(access_begin(r->access, id, "192.0.2.7", r->wall_ms, in.session));
    assert_true(access_find(r->access, in.session, r->wall_ms, &who));
    strcpy(in.token, who.token);
    return in;
}

static int ask(struct rig *r, const struct in *in, struct web_request q, struct text *body)
{
    struct web_answer a = {0};
    q.session = in ? in->session : NULL;
    q.token = q.token ? q.token : in ? in->token : NULL;
    q.address = "192.0.2.7";
    q.body_length = q.body ? strlen(q.body) : 0;
    if (strcmp(q.method, "POST") == 0 && !q.content_type)
        q.content_type = "application/json";
    centre_answer_request(&r->context, r->sql, &q, r->wall_ms, &a);
    int status = a.status;
    if (body) {
        text_clear(body);
        text_append(body, text_get(&a.body));
    }
    web_answer_free(&a);
    return status;
}

static int get(struct rig *r, const struct in *in, const char *path, struct text *body)
{
    return ask(r, in, (struct web_request){.method = "GET", .path = path}, body);
}

static int get_with(struct rig *r, const struct in *in, const char *path, const char *name,
                    const char *value, struct text *body)
{
    return ask(r, in,
               (struct web_request){
                   .method = "GET", .path = path, .query = {{name, value}}, .query_count = 1},
               body);
}

static int post(struct rig *r, const struct in *in, const char *path, const char *json)
{
    return ask(r, in, (struct web_request){.method = "POST", .path = path, .body = json}, NULL);
}

/* ---- every route by every role ---- */

static const struct route_case {
    const char *method, *path, *who; /* a, m, c; *: also before a login */
} cases[] = {
    {"GET", "/api/v1/portfolio", "am"},
    {"GET", "/api/v1/buildings", "am"},
    {"GET", "/api/v1/units", "am"},
    {"GET", "/api/v1/units.csv", "am"},
    {"GET", "/api/v1/units/maple-12", "am"}, /* a contractor without a job there */
    {"GET", "/api/v1/units/maple-12/trip", "am"},
    {"GET", "/api/v1/units/maple-12/sheet", "am"},
    {"POST", "/api/v1/units/maple-12/place", "am"},
    {"POST", "/api/v1/units/maple-12/consent", "am"},
    {"POST", "/api/v1/units/maple-12/revoke", "am"},
    {"GET", "/api/v1/trips", "am"},
    {"GET", "/api/v1/trips/counts", "am"},
    {"GET", "/api/v1/trips.csv", "am"},
    {"GET", "/api/v1/alarms.csv", "am"},
    {"GET", "/api/v1/orders", "amc"},
    {"GET", "/api/v1/orders.csv", "am"},
    {"GET", "/api/v1/orders/1", "am"}, /* none of theirs */
    {"POST", "/api/v1/orders", "am"},
    {"POST", "/api/v1/orders/1/assign", "am"},
    {"POST", "/api/v1/orders/1/cancel", "am"},
    {"POST", "/api/v1/orders/1/reopen", "am"},
    {"POST", "/api/v1/orders/1/attach", "am"},
    {"POST", "/api/v1/orders/1/done", "amc"}, /* a note is wanted first: 400 */
    {"POST", "/api/v1/orders/1/note", "amc"},
    {"GET", "/api/v1/contractors", "am"},
    {"GET", "/api/v1/session", "*"},
    {"POST", "/api/v1/session", "*"},
    {"POST", "/api/v1/session/choose", "*"},
    {"POST", "/api/v1/session/password", "amc"},
    {"POST", "/api/v1/session/end", "amc"},
    {"GET", "/api/v1/people", "a"},
    {"POST", "/api/v1/people/mo/invite", "a"},
    {"POST", "/api/v1/people/mo/end", "a"},
    {"GET", "/api/v1/audit", "a"},
};
#define CASES (sizeof cases / sizeof cases[0])

static void every_route_is_for_whom_it_is_for(void **state)
{
    struct rig *r = *state;
    static const char *const ids[] = {"ada", "mo", "rosa"};
    for (size_t i = 0; i < CASES; i++) {
        const struct route_case *k = &cases[i];
        bool open = k->who[0] == '*', posts = k->method[0] == 'P';
        struct web_request q = {
            .method = k->method, .path = k->path, .body = posts ? "{\"note\":5}" : NULL};
        int status = ask(r, NULL, q, NULL);
        if ((status == 401) == open)
            fail_msg("%s %s without a login: %d", k->method, k->path, status);
        for (size_t p = 0; p < sizeof ids / sizeof ids[0]; p++) {
            struct in in = put_in(r, ids[p]);
            bool may = open || strchr(k->who, "amc"[p]);
            status = ask(r, &in, q, NULL);
            if ((status == 403 || status == 401) == may)
                fail_msg("%s %s as %s: %d", k->method, k->path, ids[p], status);
            if (!posts || open)
                continue;
            q.token = "0123456789abcdef0123456789abcdef"; /* another page's idea of it */
            if (ask(r, &in, q, NULL) != 403)
                fail_msg("%s %s without the token", k->method, k->path);
            q.token = NULL;
        }
    }
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM orders"), 0);
}

static void what_another_page_asks_is_refused(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct web_request q = {.method = "POST",
                            .path = "/api/v1/orders",
                            .body = "{\"unit\":\"maple-12\",\"title\":\"x\"}",
                            .host = "centre.example",
                            .origin = "https://elsewhere.example"};
    assert_int_equal(ask(r, &mo, q, NULL), 403);
    q.origin = "https://centre.example";
    q.content_type = "text/plain";
    assert_int_equal(ask(r, &mo, q, NULL), 415);
    q.content_type = NULL;
    assert_int_equal(ask(r, &mo, q, NULL), 200);
}

static void without_logins_everybody_is_an_administrator_by_a_local_name(void **state)
{
    struct rig *r = *state;
    struct web_request q = {
        .method = "GET", .path = "/api/v1/portfolio", .host = "localhost:1"};
    r->context.access = NULL;
    assert_int_equal(ask(r, NULL, q, NULL), 200);
    q.host = "centre.example";
    assert_int_equal(ask(r, NULL, q, NULL), 421);
}

/* ---- what a manager is told ---- */

static const char *const told_paths[] = {"/api/v1/portfolio", "/api/v1/units/maple-12",
                                         "/api/v1/units/maple-12/trip"};

static bool tells(struct rig *r, const struct in *in, const char *path, const char *word)
{
    struct text body = TEXT_INIT;
    int status = strstr(path, "/trip") ? get_with(r, in, path, "trip", "main-07-1", &body)
                                       : get(r, in, path, &body);
    assert_int_equal(status, 200);
    bool found = strstr(text_get(&body), word) != NULL;
    text_free(&body);
    return found;
}

static void a_manager_is_told_what_was_on_with_the_tenants_consent_alone(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo"), ada = put_in(r, "ada");
    for (size_t i = 0; i < 3; i++) {
        assert_true(tells(r, &mo, told_paths[i], "main-07"));
        assert_false(tells(r, &mo, told_paths[i], "kettle"));
        assert_false(tells(r, &ada, told_paths[i], "kettle"));
        assert_false(tells(r, &mo, told_paths[i], "8.25"));
    }
    assert_int_equal(post(r, &mo, "/api/v1/units/maple-12/consent",
                          "{\"tenant\":\"Kim Ito\",\"how\":\"letter\","
                          "\"until\":\"2026-11-26T10:00:00Z\"}"),
                     200);
    for (size_t i = 0; i < 3; i++)
        assert_true(tells(r, &mo, told_paths[i], "kettle"));
    assert_int_equal(post(r, &mo, "/api/v1/units/maple-12/revoke", "{}"), 200);
    for (size_t i = 0; i < 3; i++)
        assert_false(tells(r, &mo, told_paths[i], "kettle"));
    assert_int_equal(post(r, &mo, "/api/v1/units/maple-12/revoke", "{}"), 409);
}

static void a_consent_ends_within_a_year_and_says_by_whom(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    static const char *const bad[] = {
        "{\"tenant\":\"Kim\",\"how\":\"letter\",\"until\":\"2026-11-25T10:00:00Z\"}",
        "{\"tenant\":\"Kim\",\"how\":\"letter\",\"until\":\"2028-11-25T10:00:00Z\"}",
        "{\"tenant\":\"Kim\",\"how\":\"letter\"}",
        "{\"tenant\":\"\",\"how\":\"letter\",\"until\":\"2026-11-26T10:00:00Z\"}",
        "{\"tenant\":\"Kim\",\"until\":\"2026-11-26T10:00:00Z\"}",
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_int_equal(post(r, &mo, "/api/v1/units/maple-12/consent", bad[i]), 400);
    assert_int_equal(post(r, &mo, "/api/v1/units/elm-9/consent",
                          "{\"tenant\":\"Kim\",\"how\":\"x\","
                          "\"until\":\"2026-11-26T10:00:00Z\"}"),
                     404);
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM consents"), 0);
}

static void a_sheet_that_a_gateway_gave_tells_no_more_than_may_be_told(void **state)
{
    static const char sheet[] =
        "{\"id\":\"q1\",\"ok\":true,\"time\":\"2026-11-25T10:40:00.000Z\",\"discreet\":false,"
        "\"unit\":{\"name\":\"12 Maple\"},\"more\":\"kettle\","
        "\"circuits\":[{\"circuit\":\"main-07\",\"state\":\"closed\",\"amps\":8.25,"
        "\"loads\":[{\"appliance\":\"kettle\"}]},null],"
        "\"alarms\":[{\"alarm\":\"main-07.trip\",\"kind\":\"trip\",\"circuit\":\"main-07\","
        "\"text\":\"a kettle\",\"switch_off\":[\"kettle\"]}],"
        "\"trips\":[{\"trip\":\"main-07-1\",\"circuit\":\"main-07\",\"cause\":\"overload\","
        "\"loads\":[{\"appliance\":\"kettle\",\"amps\":8.25}]}],"
        "\"calls\":[{\"call\":\"c1\",\"loads\":[{\"appliance\":\"kettle\"}]}],"
        "\"trip\":{\"type\":\"trip\",\"trip\":\"main-07-1\",\"loads\":[\"kettle\"]},"
        "\"events\":[{\"type\":\"load_on\",\"appliance\":\"kettle\"},{\"type\":\"restored\","
        "\"trip\":\"main-07-1\"}]}";
    (void)state;
    char *less = discreet_sheet(sheet, sizeof sheet - 1);
    assert_non_null(less);
    assert_null(strstr(less, "kettle"));
    assert_null(strstr(less, "8.25"));
    assert_non_null(strstr(less, "\"12 Maple\""));
    assert_non_null(strstr(less, "\"discreet\":true"));
    assert_non_null(strstr(less, "\"state\":\"closed\""));
    assert_non_null(strstr(less, "\"cause\":\"overload\""));
    assert_non_null(strstr(less, "restored"));
    free(less);
    assert_null(discreet_sheet("[1]", 3));
    assert_null(discreet_sheet("{\"a\":", 5));
}

/* ---- a contractor's job ---- */

static void a_contractor_sees_the_unit_of_their_job_while_it_lasts(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo"), rosa = put_in(r, "rosa"), sam = put_in(r, "sam");
    assert_int_equal(post(r, &mo, "/api/v1/orders",
                          "{\"unit\":\"maple-12\",\"title\":\"Look at 7\","
                          "\"circuit\":\"main-07\",\"due\":\"2026-11-26T10:00:00Z\"}"),
                     200);
    assert_int_equal(get(r, &rosa, "/api/v1/units/maple-12", NULL), 403);
    assert_int_equal(get(r, &rosa, "/api/v1/orders/1", NULL), 403);
    assert_int_equal(post(r, &mo, "/api/v1/orders/1/assign",
                          "{\"contractor\":\"mo\",\"until\":\"2026-11-25T20:00:00Z\"}"),
                     400); /* no contractor */
    assert_int_equal(post(r, &mo, "/api/v1/orders/1/assign",
                          "{\"contractor\":\"rosa\",\"until\":\"2026-11-25T20:00:00Z\"}"),
                     200);
    assert_true(tells(r, &rosa, "/api/v1/units/maple-12", "kettle"));
    assert_true(tells(r, &rosa, "/api/v1/units/maple-12/trip", "8.25"));
    assert_int_equal(get(r, &rosa, "/api/v1/orders/1", NULL), 200);
    assert_true(tells(r, &rosa, "/api/v1/orders", "Look at 7"));
    assert_int_equal(get(r, &rosa, "/api/v1/units/oak-3", NULL), 403); /* not theirs */
    assert_int_equal(get(r, &rosa, "/api/v1/units/elm-9", NULL), 403); /* nor is it told */
    assert_int_equal(get(r, &sam, "/api/v1/units/maple-12", NULL), 403);
    assert_false(tells(r, &sam, "/api/v1/orders", "Look at 7"));
    assert_int_equal(post(r, &sam, "/api/v1/orders/1/done", "{\"note\":\"x\"}"), 403);
    r->wall_ms = NOW + 10 * HOUR; /* past 20:00 */
    assert_int_equal(get(r, &rosa, "/api/v1/units/maple-12", NULL), 403);
    assert_int_equal(get(r, &rosa, "/api/v1/orders/1", NULL), 403);
    assert_int_equal(post(r, &rosa, "/api/v1/orders/1/done", "{\"note\":\"x\"}"), 403);
    assert_false(tells(r, &rosa, "/api/v1/orders", "Look at 7"));
    r->wall_ms = NOW + HOUR;
    assert_int_equal(post(r, &rosa, "/api/v1/orders/1/done", "{\"note\":\"replaced\"}"), 200);
    assert_int_equal(get(r, &rosa, "/api/v1/units/maple-12", NULL), 403); /* done: over */
    assert_int_equal(post(r, &mo, "/api/v1/orders/1/done", "{\"note\":\"x\"}"), 409);
    assert_int_equal(post(r, &mo, "/api/v1/orders/1/reopen", "{}"), 200);
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM audit"), 4);
}

/* ---- what is read and written ---- */

static void units_are_found_by_their_words_literally(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct text body = TEXT_INIT;
    static const struct {
        const char *words, *there, *not_there;
    } finds[] = {
        {"maple", "maple-12", "oak-3"}, {"OAK HOUSE", "oak-4", "oak-3"},
        {"oak_l", "oak-3", "oak-4"},    {"%", NULL, "oak-3"},
        {"_", "oak-3", "maple-12"},     {"'", NULL, "oak-3"},
    };
    for (size_t i = 0; i < sizeof finds / sizeof finds[0]; i++) {
        assert_int_equal(get_with(r, &mo, "/api/v1/units", "words", finds[i].words, &body),
                         200);
        if (finds[i].there && !strstr(text_get(&body), finds[i].there))
            fail_msg("%s does not find %s", finds[i].words, finds[i].there);
        if (strstr(text_get(&body), finds[i].not_there))
            fail_msg("%s finds %s", finds[i].words, finds[i].not_there);
    }
    assert_int_equal(get_with(r, &mo, "/api/v1/units", "building", "", &body), 200);
    assert_non_null(strstr(text_get(&body), "oak-3"));
    assert_null(strstr(text_get(&body), "maple-12"));
    assert_int_equal(get_with(r, &mo, "/api/v1/units", "colour", "red", NULL), 400);
    text_free(&body);
}

static void a_table_of_units_is_no_formula(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct text body = TEXT_INIT;
    assert_int_equal(get(r, &mo, "/api/v1/units.csv", &body), 200);
    assert_non_null(strstr(text_get(&body), "\"'=4 Oak\""));
    assert_int_equal(get(r, &mo, "/api/v1/alarms.csv", &body), 200);
    assert_non_null(strstr(text_get(&body), ",main-07.trip,main,main-07,trip,high,"));
    assert_null(strstr(text_get(&body), "kettle"));
    assert_int_equal(get(r, &mo, "/api/v1/trips.csv", &body), 200);
    assert_non_null(
        strstr(text_get(&body), ",main-07-1,main,main-07,2026-11-25T09:46:40.000Z,"));
    text_free(&body);
}

static void where_a_unit_lies_is_written_down(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct text body = TEXT_INIT;
    assert_int_equal(post(r, &mo, "/api/v1/units/oak-3/place",
                          "{\"name\":\"3 Oak\",\"building\":\"Oak House\",\"place\":\"3\"}"),
                     200);
    assert_int_equal(post(r, &mo, "/api/v1/units/elm-9/place", "{\"name\":\"x\"}"), 404);
    assert_int_equal(post(r, &mo, "/api/v1/units/oak-3/place", "{\"name\":\"\"}"), 400);
    assert_int_equal(get(r, &mo, "/api/v1/buildings", &body), 200);
    assert_non_null(strstr(text_get(&body), "{\"building\":\"Oak House\",\"units\":2,"));
    text_free(&body);
}

static void a_store_that_is_away_is_said_and_the_way_in_stays(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct sql *kept = r->sql;
    r->sql = NULL;
    assert_int_equal(get(r, &mo, "/api/v1/portfolio", NULL), 503);
    assert_int_equal(get(r, &mo, "/api/v1/session", NULL), 200);
    assert_int_equal(get(r, NULL, "/", NULL), 200);
    r->sql = kept;
}

static bool count_row(void *context, int64_t audit, const struct store_audit *said)
{
    (void)audit;
    (void)said;
    ++*(int *)context;
    return true;
}

static void who_may_log_in_is_kept_and_the_log_is_bounded(void **state)
{
    struct rig *r = *state;
    struct in mo = put_in(r, "mo");
    struct access_who who;
    bool good;
    int count = 0;
    assert_int_equal(centre_record_save(r->sql, r->access), SQL_FINE);
    assert_int_equal(centre_record_save(r->sql, r->access), SQL_FINE);
    struct access *later = access_create(&r->people);
    assert_int_equal(centre_record_load(r->sql, later, &good), SQL_FINE);
    assert_true(good);
    assert_true(access_find(later, mo.session, NOW + HOUR, &who));
    assert_string_equal(who.id, "mo");
    access_destroy(later);
    fleet_store_run(r->sql, "UPDATE page_state SET hex = 'no hex'");
    later = access_create(&r->people);
    assert_int_equal(centre_record_load(r->sql, later, &good), SQL_FINE);
    assert_false(good);
    assert_false(access_find(later, mo.session, NOW + HOUR, &who));
    access_destroy(later);
    const struct store_audit said = {.wall_ms = NOW,
                                     .who = "Mo",
                                     .role = "manager",
                                     .way = "page",
                                     .act = "login",
                                     .subject = "",
                                     .result = ""};
    assert_int_equal(centre_record_note(r->sql, &said), SQL_FINE);
    fleet_store_run(r->sql, "UPDATE audit SET audit = 100000");
    fleet_store_run(r->sql, "INSERT INTO audit (audit, wall_ms, who, role, way, act, subject,"
                            " result) VALUES (200000, 1, '', '', '', '', '', '')");
    fleet_store_run(r->sql, "DELETE FROM audit WHERE audit <= (SELECT max(audit) FROM audit)"
                            " - 20000");
    assert_int_equal(centre_record_read(r->sql, 0, 10, count_row, &count), SQL_FINE);
    assert_int_equal(count, 1);
}

static void what_each_role_may_is_what_its_session_says(void **state)
{
    struct rig *r = *state;
    static const struct {
        const char *id, *may, *not ;
    } says[] = {{"ada", "\"people\"", "\"see_loads\""},
                {"mo", "\"orders\"", "\"people\""},
                {"rosa", "\"work\"", "\"portfolio\""}};
    struct text body = TEXT_INIT;
    for (size_t i = 0; i < 3; i++) {
        struct in in = put_in(r, says[i].id);
        assert_int_equal(get(r, &in, "/api/v1/session", &body), 200);
        assert_non_null(strstr(text_get(&body), says[i].may));
        assert_null(strstr(text_get(&body), says[i].not ));
    }
    text_free(&body);
    for (int act = 0; act < CENTRE_ACTS; act++) { /* those of a gateway may nothing here */
        assert_int_equal(centre_may(ROLE_RESIDENT, (enum centre_act)act),
                         act == CENTRE_NOTHING);
        assert_int_equal(centre_may(ROLE_ELECTRICIAN, (enum centre_act)act),
                         act == CENTRE_NOTHING);
        assert_true(centre_act_name((enum centre_act)act)[0] != '?');
    }
    for (int act = 0; act < ACTS; act++) /* nor a contractor at a gateway */
        assert_int_equal(role_may(ROLE_CONTRACTOR, (enum act)act), act == ACT_NOTHING);
}

#define IN_STORE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        IN_STORE(every_route_is_for_whom_it_is_for),
        IN_STORE(what_another_page_asks_is_refused),
        IN_STORE(without_logins_everybody_is_an_administrator_by_a_local_name),
        IN_STORE(a_manager_is_told_what_was_on_with_the_tenants_consent_alone),
        IN_STORE(a_consent_ends_within_a_year_and_says_by_whom),
        cmocka_unit_test(a_sheet_that_a_gateway_gave_tells_no_more_than_may_be_told),
        IN_STORE(a_contractor_sees_the_unit_of_their_job_while_it_lasts),
        IN_STORE(units_are_found_by_their_words_literally),
        IN_STORE(a_table_of_units_is_no_formula),
        IN_STORE(where_a_unit_lies_is_written_down),
        IN_STORE(a_store_that_is_away_is_said_and_the_way_in_stays),
        IN_STORE(who_may_log_in_is_kept_and_the_log_is_bounded),
        IN_STORE(what_each_role_may_is_what_its_session_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
