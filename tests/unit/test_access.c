/* who may come in: passwords, visits, sessions; what is asked at the door, and
 * every route of /api/v1 without a session, with a wrong role and with a forged request */
#include "check.h"
#include "config_case.h"

#include "web/answer.h"
#include "web/door.h"
#include "web/lockout.h"

#include <stdlib.h>

#define NOW INT64_C(1767254400000) /* 2026-01-01T08:00:00Z */
#define HOUR INT64_C(3600000)
#define GOOD "correct horse battery"

static const char people_text[] =
    "people = ( { id = \"ada\"; name = \"Ada Lind\"; role = \"administrator\"; },"
    " { id = \"kim\"; name = \"Kim Ito\"; role = \"resident\"; },"
    " { id = \"mo\"; name = \"Mo Diaz\"; role = \"manager\"; },"
    " { id = \"eli\"; name = \"Eli Stone\"; role = \"electrician\"; } );";
static const char page_text[] = "page = { login = true; };";

struct house {
    struct config config;
    struct board *board;
    struct trail *trail;
    struct access *access;
    struct door *door;
    struct web_context context;
    int64_t wall_ms, mono_ms;
    char first[CODE_SIZE];
};

static void open_house(struct house *h)
{
    const struct config_text texts[] = {
        {"site.cfg", config_case_site, strlen(config_case_site)},
        {"page.cfg", page_text, sizeof page_text - 1},
        {"delivery.cfg", people_text, sizeof people_text - 1}};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    memset(h, 0, sizeof *h);
    assert_true(config_load_memory(&h->config, texts, 3, &faults));
    faults_free(&faults);
    h->board = board_create(h->config.site.circuit_count);
    h->trail = trail_create(h->config.site.circuit_count);
    h->access = access_create(&h->config.delivery);
    h->door = door_create(h->access, &h->config.delivery, door_gateway_may);
    assert_true(h->board && h->access && h->door);
    assert_true(access_first_code(h->access, h->first));
    h->context = (struct web_context){.site = &h->config.site,
                                      .phrases = &h->config.phrases,
                                      .tariff = &h->config.tariff,
                                      .study = &h->config.study,
                                      .trail = h->trail,
                                      .board = h->board,
                                      .access = h->access};
    h->wall_ms = NOW;
    h->mono_ms = 1000;
}

static void close_house(struct house *h)
{
    door_destroy(h->door);
    access_destroy(h->access);
    board_destroy(h->board);
    trail_destroy(h->trail);
    config_free(&h->config);
}

struct in { /* somebody who is in, or not */
    char session[ACCESS_TOKEN_SIZE];
    char token[ACCESS_CSRF_SIZE];
};

/* what the browser gets, of the page and then of the door */
static int ask_as(struct house *h, const struct in *in, struct web_request r, struct text *body,
                  char cookie[192])
{
    struct web_answer a = {0}, b = {0};
    struct store_reader *reader = store_reader_open("/nonexistent/foretrip.db");
    r.session = in && in->session[0] ? in->session : NULL;
    r.token = r.token ? r.token : in && in->token[0] ? in->token : NULL;
    r.address = r.address ? r.address : "192.0.2.7";
    if (r.body)
        r.body_length = strlen(r.body);
    if (strcmp(r.method, "POST") == 0 && !r.content_type)
        r.content_type = "application/json";
    web_answer_request(&h->context, reader, &r, h->wall_ms, &a);
    struct web_answer *last = &a;
    if (a.kind == WEB_DOOR && a.status == 200) {
        const struct door_ask ask = {.verb = a.verb,
                                     .body = text_get(&a.body),
                                     .length = a.body.length,
                                     .who = &a.who,
                                     .address = r.address};
        door_answer(h->door, &ask, h->wall_ms, h->mono_ms, &b);
        last = &b;
    }
    int status = last->status;
    if (body) {
        text_clear(body);
        text_append(body, text_get(&last->body));
    }
    if (cookie)
        strcpy(cookie, last->cookie);
    web_answer_free(&a);
    web_answer_free(&b);
    store_reader_close(reader);
    return status;
}

static int post(struct house *h, const struct in *in, const char *path, const char *body)
{
    return ask_as(h, in, (struct web_request){.method = "POST", .path = path, .body = body},
                  NULL, NULL);
}

/* whose answer is a session */
static int come_in(struct house *h, const char *path, const char *body, struct in *in)
{
    struct text answer = TEXT_INIT;
    char cookie[192];
    memset(in, 0, sizeof *in);
    int status =
        ask_as(h, NULL, (struct web_request){.method = "POST", .path = path, .body = body},
               &answer, cookie);
    if (status == 200) {
        json_t *o = json_loads(text_get(&answer), 0, NULL);
        strcpy(in->token, json_string_value(json_object_get(o, "token")));
        json_decref(o);
        assert_memory_equal(cookie, DOOR_COOKIE "=", sizeof DOOR_COOKIE);
        memcpy(in->session, cookie + sizeof DOOR_COOKIE, ACCESS_TOKEN_SIZE - 1);
        assert_non_null(strstr(cookie, "; Path=/; "));
        assert_non_null(strstr(cookie, "; Secure; HttpOnly; SameSite=Strict"));
    }
    text_free(&answer);
    return status;
}

static int choose(struct house *h, const char *person, const char *code, const char *password,
                  struct in *in)
{
    char body[512];
    snprintf(body, sizeof body, "{\"person\":\"%s\",\"code\":\"%s\",\"password\":\"%s\"}",
             person, code, password);
    return come_in(h, "/api/v1/session/choose", body, in);
}

static int login(struct house *h, const char *person, const char *password, struct in *in)
{
    char body[512];
    snprintf(body, sizeof body, "{\"person\":\"%s\",\"password\":\"%s\"}", person, password);
    return come_in(h, "/api/v1/session", body, in);
}

/* past the door, for tests that are not about it */
static void put_in(struct house *h, const char *id, struct in *in)
{
    struct access_who who;
    assert_true(access_begin(h->access, id, "192.0.2.7", h->wall_ms, in->session));
    assert_true(access_find(h->access, in->session, h->wall_ms, &who));
    strcpy(in->token, who.token);
}

static int status_of(struct house *h, const struct in *in)
{
    return ask_as(h, in, (struct web_request){.method = "GET", .path = "/api/v1/status"}, NULL,
                  NULL);
}

/* ---- the way in ---- */

static void the_first_administrator_chooses_with_the_code_of_the_journal(void **state)
{
    struct house h;
    struct in in, kim;
    (void)state;
    open_house(&h);
    assert_int_equal(status_of(&h, NULL), 401);
    assert_int_equal(login(&h, "ada", "", &in), 400);
    assert_int_equal(login(&h, "ada", "admin", &in), 403);
    assert_int_equal(choose(&h, "kim", h.first, GOOD, &in), 403); /* no administrator */
    assert_int_equal(choose(&h, "ada", "0000-0000-0000", GOOD, &in), 403);
    assert_int_equal(choose(&h, "ada", h.first, "short", &in), 400);
    assert_int_equal(choose(&h, "ada", h.first, "aaaaaaaaaaaaaaaa", &in), 400);
    assert_int_equal(choose(&h, "ada", h.first, "Ada Lind's own", &in), 400);
    assert_int_equal(choose(&h, "ada", h.first, GOOD, &in), 200);
    assert_int_equal(status_of(&h, &in), 200);
    assert_int_equal(choose(&h, "ada", h.first, GOOD, &kim), 403); /* used up */
    assert_int_equal(login(&h, "ada", GOOD, &kim), 200);
    char again[CODE_SIZE];
    assert_false(access_first_code(h.access, again));
    close_house(&h);
}

/* the code in the door's answer */
static void code_from(struct house *h, const struct in *in, const char *path, const char *body,
                      char code[CODE_SIZE], char id[ACCESS_VISIT_ID_SIZE])
{
    struct text answer = TEXT_INIT;
    assert_int_equal(ask_as(h, in,
                            (struct web_request){.method = "POST", .path = path, .body = body},
                            &answer, NULL),
                     200);
    json_t *o = json_loads(text_get(&answer), 0, NULL);
    strcpy(code, json_string_value(json_object_get(o, "code")));
    const char *visit = json_string_value(json_object_get(o, "visit"));
    if (id && visit)
        strcpy(id, visit);
    json_decref(o);
    text_free(&answer);
}

static void a_person_is_let_in_by_a_code_once(void **state)
{
    struct house h;
    struct in ada = {0}, kim, other;
    char code[CODE_SIZE], newer[CODE_SIZE];
    (void)state;
    open_house(&h);
    put_in(&h, "ada", &ada);
    assert_int_equal(post(&h, &ada, "/api/v1/people/nobody/invite", "{}"), 404);
    code_from(&h, &ada, "/api/v1/people/kim/invite", "{}", code, NULL);
    code_from(&h, &ada, "/api/v1/people/kim/invite", "{}", newer, NULL);
    assert_int_equal(choose(&h, "kim", code, GOOD, &kim), 403); /* the newer one counts */
    assert_int_equal(choose(&h, "mo", newer, GOOD, &kim), 403); /* it is not theirs */
    assert_int_equal(choose(&h, "kim", newer, GOOD, &kim), 200);
    assert_int_equal(choose(&h, "kim", newer, GOOD, &other), 403);
    assert_int_equal(status_of(&h, &kim), 200);
    code_from(&h, &ada, "/api/v1/people/kim/invite", "{}", code, NULL);
    h.wall_ms += ACCESS_INVITE_MS;
    assert_int_equal(choose(&h, "kim", code, GOOD, &other), 403); /* too late */
    close_house(&h);
}

static void a_new_password_ends_the_other_sessions(void **state)
{
    struct house h;
    struct in here, elsewhere, in;
    char body[200];
    (void)state;
    open_house(&h);
    assert_int_equal(choose(&h, "ada", h.first, GOOD, &here), 200);
    assert_int_equal(login(&h, "ada", GOOD, &elsewhere), 200);
    snprintf(body, sizeof body, "{\"old\":\"%s\",\"password\":\"another long one\"}", "wrong");
    assert_int_equal(post(&h, &here, "/api/v1/session/password", body), 403);
    snprintf(body, sizeof body, "{\"old\":\"%s\",\"password\":\"another long one\"}", GOOD);
    assert_int_equal(post(&h, &here, "/api/v1/session/password", body), 200);
    assert_int_equal(status_of(&h, &here), 200);
    assert_int_equal(status_of(&h, &elsewhere), 401);
    assert_int_equal(login(&h, "ada", GOOD, &in), 403);
    assert_int_equal(login(&h, "ada", "another long one", &in), 200);
    close_house(&h);
}

static void whoever_tries_too_often_has_to_wait(void **state)
{
    struct house h;
    struct in in;
    struct web_request r = {.method = "POST",
                            .path = "/api/v1/session",
                            .body = "{\"person\":\"ada\",\"password\":\"wrong wrong\"}"};
    char address[32];
    (void)state;
    open_house(&h);
    assert_int_equal(choose(&h, "ada", h.first, GOOD, &in), 200);
    for (int i = 0; i < LOCKOUT_FREE; i++) { /* the account, from many addresses */
        snprintf(address, sizeof address, "192.0.2.%d", 10 + i);
        r.address = address;
        assert_int_equal(ask_as(&h, NULL, r, NULL, NULL), 403);
    }
    assert_int_equal(login(&h, "ada", GOOD, &in), 429); /* not even with the right one */
    h.mono_ms += LOCKOUT_FIRST_MS;
    assert_int_equal(login(&h, "ada", GOOD, &in), 200);
    r.address = "198.51.100.1"; /* one address, with many names and codes */
    static const char *const bodies[LOCKOUT_FREE] = {
        "{\"person\":\"a\",\"password\":\"x\"}", "{\"person\":\"b\",\"password\":\"x\"}",
        "{\"code\":\"7K3M-X9QT-04RV\"}", "{\"code\":\"no code\"}",
        "{\"person\":\"kim\",\"password\":\"x\"}"};
    for (int i = 0; i < LOCKOUT_FREE; i++) {
        r.body = bodies[i];
        assert_int_equal(ask_as(&h, NULL, r, NULL, NULL), 403);
    }
    assert_int_equal(ask_as(&h, NULL, r, NULL, NULL), 429);
    r.address = "198.51.100.2";
    r.body = "{\"person\":\"ada\",\"password\":\"" GOOD "\"}";
    assert_int_equal(ask_as(&h, NULL, r, NULL, NULL), 200);
    close_house(&h);
}

static void a_visit_is_an_electricians_and_ends(void **state)
{
    struct house h;
    struct in ada = {0}, rosa, late;
    char code[CODE_SIZE], body[64], id[ACCESS_VISIT_ID_SIZE];
    struct access_who who;
    (void)state;
    open_house(&h);
    put_in(&h, "ada", &ada);
    assert_int_equal(post(&h, &ada, "/api/v1/visits", "{\"name\":\"Rosa\"}"), 400);
    assert_int_equal(post(&h, &ada, "/api/v1/visits", "{\"name\":\"\",\"seconds\":3600}"), 400);
    assert_int_equal(
        post(&h, &ada, "/api/v1/visits", "{\"name\":\"Rosa\",\"seconds\":99999999}"), 400);
    code_from(&h, &ada, "/api/v1/visits", "{\"name\":\"Rosa\",\"seconds\":7200}", code, id);
    snprintf(body, sizeof body, "{\"code\":\"%s\"}", code);
    assert_int_equal(come_in(&h, "/api/v1/session", body, &rosa), 200);
    assert_true(access_find(h.access, rosa.session, h.wall_ms, &who));
    assert_int_equal(who.role, ROLE_ELECTRICIAN);
    assert_string_equal(who.name, "Rosa (visit)");
    assert_int_equal(who.until_wall_ms, NOW + 2 * HOUR);
    h.wall_ms += 2 * HOUR - 1;
    assert_int_equal(status_of(&h, &rosa), 200);
    h.wall_ms += 1;
    assert_int_equal(status_of(&h, &rosa), 401);
    assert_int_equal(come_in(&h, "/api/v1/session", body, &late), 403);
    /* and one that is ended before its time */
    code_from(&h, &ada, "/api/v1/visits", "{\"name\":\"Rosa\",\"seconds\":7200}", code, id);
    snprintf(body, sizeof body, "{\"code\":\"%s\"}", code);
    assert_int_equal(come_in(&h, "/api/v1/session", body, &rosa), 200);
    char path[80];
    snprintf(path, sizeof path, "/api/v1/visits/%s/end", id);
    assert_int_equal(post(&h, &rosa, path, "{}"), 403);
    assert_int_equal(post(&h, &ada, path, "{}"), 200);
    assert_int_equal(status_of(&h, &rosa), 401);
    assert_int_equal(come_in(&h, "/api/v1/session", body, &late), 403);
    close_house(&h);
}

static void sessions_end(void **state)
{
    struct house h;
    struct in kim = {0}, ada = {0};
    int64_t idle, most;
    (void)state;
    open_house(&h);
    put_in(&h, "kim", &kim);
    put_in(&h, "ada", &ada);
    access_life(ROLE_ADMINISTRATOR, &idle, &most);
    h.wall_ms += idle;
    assert_int_equal(status_of(&h, &ada), 401); /* not used for so long */
    assert_int_equal(status_of(&h, &kim), 200); /* which counts as use */
    access_life(ROLE_RESIDENT, &idle, &most);
    while (h.wall_ms + idle / 2 < NOW + most) {
        h.wall_ms += idle / 2;
        assert_int_equal(status_of(&h, &kim), 200);
    }
    h.wall_ms = NOW + most;
    assert_int_equal(status_of(&h, &kim), 401); /* for all that use */
    put_in(&h, "kim", &kim);
    put_in(&h, "ada", &ada);
    assert_int_equal(post(&h, &kim, "/api/v1/session/end", "{}"), 200);
    assert_int_equal(status_of(&h, &kim), 401);
    put_in(&h, "kim", &kim);
    assert_int_equal(post(&h, &ada, "/api/v1/people/kim/end", "{}"), 200);
    assert_int_equal(status_of(&h, &kim), 401);
    strcpy(kim.session, "not hexadecimal");
    assert_int_equal(status_of(&h, &kim), 401);
    close_house(&h);
}

static void what_is_kept_lets_the_same_people_in_again(void **state)
{
    struct house h, after;
    struct in in, kim = {0}, eli = {0};
    char code[CODE_SIZE], body[64], none[CODE_SIZE];
    struct codec_out out = {0};
    (void)state;
    open_house(&h);
    assert_int_equal(choose(&h, "ada", h.first, GOOD, &in), 200);
    put_in(&h, "kim", &kim);
    put_in(&h, "eli", &eli);
    code_from(&h, &in, "/api/v1/visits", "{\"name\":\"Rosa\",\"seconds\":7200}", code, NULL);
    assert_true(access_changed(h.access));
    assert_false(access_changed(h.access));
    access_save(h.access, &out);
    assert_false(out.failed);
    assert_null(memmem(out.bytes, out.length, GOOD, strlen(GOOD)));
    assert_null(memmem(out.bytes, out.length, code, strlen(code)));
    assert_null(memmem(out.bytes, out.length, kim.session, strlen(kim.session)));
    open_house(&after);
    after.config.delivery.person_count = 3; /* eli has left */
    assert_true(access_load(
        after.access, &(struct codec_in){.at = out.bytes, .end = out.bytes + out.length}));
    assert_false(access_first_code(after.access, none));
    assert_int_equal(status_of(&after, &kim), 200);
    assert_int_equal(status_of(&after, &eli), 401);
    assert_int_equal(login(&after, "ada", GOOD, &in), 200);
    snprintf(body, sizeof body, "{\"code\":\"%s\"}", code);
    assert_int_equal(come_in(&after, "/api/v1/session", body, &in), 200);
    close_house(&after);
    for (size_t n = 0; n < out.length; n += 7) { /* cut short: nobody is in */
        open_house(&after);
        if (!access_load(after.access,
                         &(struct codec_in){.at = out.bytes, .end = out.bytes + n}))
            assert_int_equal(status_of(&after, &kim), 401);
        close_house(&after);
    }
    codec_out_free(&out);
    close_house(&h);
}

/* ---- every route ---- */

static const struct route_case {
    const char *method, *path;
    const char *roles; /* who may: a, e, r, m; "*" also before a login */
} route_cases[] = {
    {"GET", "/api/v1/site", "aerm"},
    {"GET", "/api/v1/status", "aerm"},
    {"GET", "/api/v1/circuits", "aerm"},
    {"GET", "/api/v1/circuits/main-07", "aerm"},
    {"GET", "/api/v1/circuits/main-07/history", "aerm"},
    {"GET", "/api/v1/circuits/main-07/alarms", "aerm"},
    {"GET", "/api/v1/circuits/main-07/energy", "aerm"},
    {"GET", "/api/v1/study", "aerm"},
    {"GET", "/api/v1/advice", "aer"},
    {"GET", "/api/v1/circuits/main-07/export.csv", "aer"},
    {"POST", "/api/v1/circuits/main-07/name", "aer"},
    {"POST", "/api/v1/circuits/main-07/breaker-replaced", "ae"},
    {"GET", "/api/v1/loads", "aer"},
    {"GET", "/api/v1/alarms", "aerm"},
    {"POST", "/api/v1/alarms/x/acknowledge", "aerm"},
    {"POST", "/api/v1/alarms/x/shelve", "aerm"},
    {"POST", "/api/v1/alarms/x/unshelve", "aerm"},
    {"POST", "/api/v1/alarms/x/out-of-service", "ae"},
    {"POST", "/api/v1/alarms/x/in-service", "ae"},
    {"GET", "/api/v1/trips", "aerm"},
    {"GET", "/api/v1/trips/x", "aerm"},
    {"GET", "/api/v1/trips/x/record", "aer"},
    {"POST", "/api/v1/trips/x/correct", "ae"},
    {"POST", "/api/v1/trips/x/note", "aerm"},
    {"GET", "/api/v1/calls", "aerm"},
    {"GET", "/api/v1/calls/x", "aerm"},
    {"POST", "/api/v1/calls", "aer"},
    {"POST", "/api/v1/calls/x/answer", "aer"},
    {"POST", "/api/v1/calls/x/stop", "aerm"},
    {"POST", "/api/v1/calls/x/note", "aerm"},
    {"GET", "/api/v1/events", "aerm"},
    {"GET", "/api/v1/trace", "aer"},
    {"GET", "/api/v1/directory", "aerm"},
    {"GET", "/api/v1/directory.csv", "aerm"},
    {"GET", "/api/v1/directory/changes", "aerm"},
    {"POST", "/api/v1/directory/keep", "aer"},
    {"POST", "/api/v1/directory/place", "aer"},
    {"POST", "/api/v1/directory/forget", "aer"},
    {"POST", "/api/v1/directory/purpose", "ae"},
    {"POST", "/api/v1/directory/import", "ae"},
    {"GET", "/api/v1/stream", "aerm"},
    {"GET", "/api/v1/phrases", "aerm"},
    {"GET", "/api/v1/session", "*"},
    {"POST", "/api/v1/session", "*"},
    {"POST", "/api/v1/session/choose", "*"},
    {"POST", "/api/v1/session/password", "aerm"},
    {"POST", "/api/v1/session/end", "aerm"},
    {"GET", "/api/v1/people", "a"},
    {"POST", "/api/v1/people/kim/invite", "a"},
    {"POST", "/api/v1/people/kim/end", "a"},
    {"POST", "/api/v1/visits", "a"},
    {"POST", "/api/v1/visits/x/end", "a"},
    {"GET", "/api/v1/audit", "a"},
};
#define ROUTE_CASES (sizeof route_cases / sizeof route_cases[0])

/* of the page alone: what it would pass on is not carried out */
static int route_status(struct house *h, const struct in *in, const struct route_case *c,
                        const char *token, const char *origin)
{
    struct web_answer a = {0};
    struct store_reader *reader = store_reader_open("/nonexistent/foretrip.db");
    struct web_request r = {.method = c->method,
                            .path = c->path,
                            .body = "{}",
                            .body_length = 2,
                            .host = "gateway.example",
                            .origin = origin,
                            .content_type = "application/json",
                            .session = in->session[0] ? in->session : NULL,
                            .token = token,
                            .address = "192.0.2.7"};
    web_answer_request(&h->context, reader, &r, h->wall_ms, &a);
    int status = a.status;
    web_answer_free(&a);
    store_reader_close(reader);
    return status;
}

/* what the route itself says: done, or what is missing */
static bool is_in(int status)
{
    return status != 401 && status != 403 && status != 405 && status != 415;
}

static void every_route_asks_who_it_is_and_what_they_may(void **state)
{
    static const char letters[] = "aerm";
    static const char *const ids[] = {"ada", "eli", "kim", "mo"};
    const struct in nobody = {0};
    struct house h;
    struct in in[4];
    (void)state;
    open_house(&h);
    for (int p = 0; p < 4; p++)
        put_in(&h, ids[p], &in[p]);
    for (size_t i = 0; i < ROUTE_CASES; i++) {
        const struct route_case *c = &route_cases[i];
        bool open = c->roles[0] == '*', post_route = strcmp(c->method, "POST") == 0;
        int status = route_status(&h, &nobody, c, NULL, NULL);
        if (open ? !is_in(status) : status != 401)
            fail_msg("%s %s without a session: %d", c->method, c->path, status);
        for (int p = 0; p < 4; p++) {
            bool may = open || strchr(c->roles, letters[p]);
            status = route_status(&h, &in[p], c, in[p].token, "https://gateway.example");
            if (may ? !is_in(status) : status != 403)
                fail_msg("%s %s as %s: %d", c->method, c->path, ids[p], status);
            if (!post_route)
                continue;
            status = route_status(&h, &in[p], c, in[p].token, "https://elsewhere.example");
            if (status != 403)
                fail_msg("%s %s, forged: %d", c->method, c->path, status);
            status = route_status(&h, &in[p], c, NULL, NULL);
            if (!open && status != 403)
                fail_msg("%s %s without the token: %d", c->method, c->path, status);
            status = route_status(&h, &in[p], c, in[(p + 1) % 4].token, NULL);
            if (!open && status != 403)
                fail_msg("%s %s with another's token: %d", c->method, c->path, status);
        }
    }
    close_house(&h);
}

static void whoever_is_in_is_who_they_are(void **state)
{
    struct house h;
    struct in kim = {0};
    struct text body = TEXT_INIT;
    (void)state;
    open_house(&h);
    put_in(&h, "kim", &kim);
    assert_int_equal(ask_as(&h, &kim,
                            (struct web_request){.method = "POST",
                                                 .path = "/api/v1/alarms/x/acknowledge",
                                                 .body = "{\"by\":\"Somebody Else\"}"},
                            &body, NULL),
                     200);
    assert_non_null(strstr(text_get(&body), "\"by\":\"Kim Ito\""));
    text_free(&body);
    close_house(&h);
}

/* ---- a manager does not see what a tenant has on ---- */

static void a_manager_sees_no_loads(void **state)
{
    static const char full[] =
        "{\"circuit\":\"main-07\",\"amps\":8.25,\"watts\":990.0,\"load_percent\":55.0,"
        "\"heat\":0.37,\"state\":\"closed\",\"loads\":[{\"appliance\":\"kettle\",\"amps\":8}],"
        "\"standing_amps\":0.2,\"added_later\":1}";
    static const char *const paths[] = {"/api/v1/circuits", "/api/v1/circuits/main-07"};
    static const char *const hidden[] = {"kettle", "8.25",        "990",    "55.0",
                                         "0.37",   "added_later", "toaster"};
    struct house h;
    struct in mo = {0}, kim = {0};
    struct text body = TEXT_INIT;
    (void)state;
    open_house(&h);
    put_in(&h, "mo", &mo);
    put_in(&h, "kim", &kim);
    board_set_state(h.board, 0, full);
    board_set_known(h.board, 0, "[{\"appliance\":\"toaster\"}]", "{\"appliance\":\"toaster\"}");
    for (int p = 0; p < 2; p++) {
        struct web_request r = {.method = "GET", .path = paths[p]};
        assert_int_equal(ask_as(&h, &kim, r, &body, NULL), 200);
        assert_non_null(strstr(text_get(&body), "kettle"));
        assert_int_equal(ask_as(&h, &mo, r, &body, NULL), 200);
        for (size_t i = 0; i < sizeof hidden / sizeof hidden[0]; i++)
            if (strstr(text_get(&body), hidden[i]))
                fail_msg("%s tells a manager of %s: %s", paths[p], hidden[i], text_get(&body));
        assert_non_null(strstr(text_get(&body), "\"heat\":0.4"));
        assert_non_null(strstr(text_get(&body), "\"loads\":[]"));
    }
    text_free(&body);
    close_house(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_administrator_chooses_with_the_code_of_the_journal),
        cmocka_unit_test(a_person_is_let_in_by_a_code_once),
        cmocka_unit_test(a_new_password_ends_the_other_sessions),
        cmocka_unit_test(whoever_tries_too_often_has_to_wait),
        cmocka_unit_test(a_visit_is_an_electricians_and_ends),
        cmocka_unit_test(sessions_end),
        cmocka_unit_test(what_is_kept_lets_the_same_people_in_again),
        cmocka_unit_test(every_route_asks_who_it_is_and_what_they_may),
        cmocka_unit_test(whoever_is_in_is_who_they_are),
        cmocka_unit_test(a_manager_sees_no_loads),
    };
    return cmocka_run_group_tests_name("access", tests, NULL, NULL);
}
