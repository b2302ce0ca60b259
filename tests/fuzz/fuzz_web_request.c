/* What anybody may ask of the page: no crash, and an answer within its bounds that is JSON or a
 * file of the page.
 *
 * Input, line by line: method, path, query ("a=b&c"), host, origin, content type,
 * if-none-match, the cookie, the session's token; the rest is the body. An empty line leaves
 * the header out. A method with "+" before it is asked where people log in; a cookie of a
 * person's id is made that person's session. What goes to the door is asked there, but for what
 * needs a slow hash. */
#include "asked.h"

#include "config/reader.h"
#include "web/answer.h"
#include "web/door.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char site_text[] =
    "site = { id = \"s\"; name = \"S\"; timezone = \"UTC\"; standard = \"UL489\"; "
    "nominal_volts = 120.0; };"
    "panels = ( { id = \"main\"; name = \"Main\"; legs = 2; rating_amps = 100; } );"
    "circuits = ( { id = \"main-1\"; panel = \"main\"; position = \"1\"; name = \"One\"; poles "
    "= 1; leg = \"A\"; "
    "breaker_amps = 15; }, { id = \"main-2\"; panel = \"main\"; position = \"2,4\"; name = "
    "\"Two\"; poles = 2; "
    "leg = \"AB\"; breaker_amps = 30; } );";

static const char people_text[] =
    "people = ( { id = \"ada\"; name = \"Ada\"; role = \"administrator\"; },"
    " { id = \"kim\"; name = \"Kim\"; }, { id = \"mo\"; name = \"Mo\"; role = "
    "\"manager\"; } );";

#define NOW INT64_C(1767254400000)
#define LINES 9

static void check(const struct web_answer *a)
{
    if (a->kind == WEB_STREAM)
        return;
    if (a->status < 200 || a->status > 599 ||
        ((a->kind == WEB_ASK || a->kind == WEB_DOOR) && !a->verb))
        abort();
    if (a->fixed || a->status == 304 || a->filename)
        return;
    json_t *o = json_loads(text_get(&a->body), 0, NULL);
    if (!json_is_object(o) || (a->status != 200 && !json_object_get(o, "error")))
        abort();
    json_decref(o);
}

/* people, with a session for the one whose id the cookie is */
static struct access *let_people_in(const struct delivery *d, struct web_request *r,
                                    char session[ACCESS_TOKEN_SIZE],
                                    char token[ACCESS_CSRF_SIZE])
{
    struct access *a = access_create(d);
    struct access_who who;
    if (!a)
        abort();
    if (r->session && access_begin(a, r->session, "192.0.2.7", NOW - 1000, session) &&
        access_find(a, session, NOW - 1000, &who)) {
        r->session = session;
        if (r->token && strcmp(r->token, "right") == 0) {
            memcpy(token, who.token, ACCESS_CSRF_SIZE);
            r->token = token;
        }
    }
    return a;
}

static void at_the_door(struct access *access, const struct delivery *d,
                        const struct web_request *r, const struct web_answer *a)
{
    struct door *door = door_create(access, d, door_gateway_may);
    struct web_answer out = {0};
    struct door_note note;
    const struct door_ask ask = {.verb = a->verb,
                                 .body = text_get(&a->body),
                                 .length = a->body.length,
                                 .who = &a->who,
                                 .address = r->address};
    if (!door)
        abort();
    door_answer(door, &ask, NOW, 1000, &out);
    check(&out);
    while (door_take_note(door, &note))
        if (!note.said.act)
            abort();
    web_answer_free(&out);
    door_destroy(door);
}

/* before a login nothing is given away, and nothing is changed */
static void check_closed(const struct web_request *r, const struct web_answer *a)
{
    bool api = strncmp(r->path, "/api/", 5) == 0;
    bool open = strncmp(r->path, "/api/v1/session", 15) == 0 ||
                strcmp(r->path, "/api/v1/openapi.json") == 0;
    if (a->kind == WEB_ASK || a->kind == WEB_STREAM ||
        (api && !open && (a->status == 200 || a->status == 304)))
        abort();
}

/* a manager is told of no load */
static void check_discreet(const struct web_answer *a)
{
    if (strstr(text_get(&a->body), "\"loads\":[{") || (a->kind == WEB_STREAM && !a->discreet))
        abort();
}

static void answer(const struct config *c, struct web_request *r, bool login)
{
    const struct site *site = &c->site;
    char session[ACCESS_TOKEN_SIZE] = "", token[ACCESS_CSRF_SIZE];
    bool manager = login && r->session && strcmp(r->session, "mo") == 0;
    struct access *access = login ? let_people_in(&c->delivery, r, session, token) : NULL;
    struct board *board = board_create(site->circuit_count);
    struct store_reader *reader = store_reader_open("/nonexistent/foretrip.db");
    struct web_answer a = {0};
    struct trail *trail = trail_create(site->circuit_count);
    if (!board || !reader || !trail)
        abort();
    board_set_state(board, 0, "{\"circuit\":\"main-1\",\"loads\":[{\"amps\":1.0}]}");
    const struct web_context x = {.site = site,
                                  .phrases = &c->phrases,
                                  .tariff = &c->tariff,
                                  .trail = trail,
                                  .board = board,
                                  .access = access,
                                  .local = !login};
    web_answer_request(&x, reader, r, NOW, &a);
    check(&a);
    if (login && !session[0])
        check_closed(r, &a);
    if (manager)
        check_discreet(&a);
    bool slow = a.kind == WEB_DOOR && (strstr(text_get(&a.body), "\"password\"") != NULL);
    if (a.kind == WEB_DOOR && !slow)
        at_the_door(access, &c->delivery, r, &a);
    web_answer_free(&a);
    access_destroy(access);
    store_reader_close(reader);
    trail_destroy(trail);
    board_destroy(board);
}

/* read once: it takes most of the time there is */
static const struct config *the_config(void)
{
    static struct config c;
    static bool read;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text texts[] = {{"site.cfg", site_text, sizeof site_text - 1},
                                        {"delivery.cfg", people_text, sizeof people_text - 1}};
    if (!read && !config_load_memory(&c, texts, 2, &faults))
        abort();
    read = true;
    faults_free(&faults);
    return &c;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *lines[LINES];
    for (int i = 0; i < LINES; i++)
        lines[i] = take_line(&data, &size);
    char *body = take_rest(data, size);
    bool login = lines[0][0] == '+';
    struct web_request r = {.method = lines[0] + login,
                            .path = lines[1],
                            .host = lines[3][0] ? lines[3] : NULL,
                            .origin = lines[4][0] ? lines[4] : NULL,
                            .content_type = lines[5][0] ? lines[5] : NULL,
                            .if_none_match = lines[6][0] ? lines[6] : NULL,
                            .session = lines[7][0] ? lines[7] : NULL,
                            .token = lines[8][0] ? lines[8] : NULL,
                            .address = "192.0.2.7",
                            .body = body,
                            .body_length = size};
    take_query(lines[2], &r);
    answer(the_config(), &r, login);
    for (int i = 0; i < LINES; i++)
        free(lines[i]);
    free(body);
    return 0;
}
