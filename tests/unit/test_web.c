/* The page's server without a socket: the board, the live messages, what is answered to what.
 */
#include "check.h"
#include "config_case.h"

#include "web/answer.h"
#include "web/assets.h"
#include "web/stream.h"

#include <stdlib.h>

#define NOW INT64_C(1767254400000) /* 2026-01-01T08:00:00Z */

struct house {
    struct config config;
    struct board *board;
    struct trail *trail;
    struct web_context context;
};

static void open_house(struct house *h)
{
    const struct config_text site = {"site.cfg", config_case_site, strlen(config_case_site)};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    assert_true(config_load_memory(&h->config, &site, 1, &faults));
    faults_free(&faults);
    h->board = board_create(h->config.site.circuit_count);
    h->trail = trail_create(h->config.site.circuit_count);
    assert_non_null(h->board);
    h->context = (struct web_context){.site = &h->config.site,
                                      .phrases = &h->config.phrases,
                                      .tariff = &h->config.tariff,
                                      .study = &h->config.study,
                                      .trail = h->trail,
                                      .board = h->board,
                                      .local = true};
}

static void close_house(struct house *h)
{
    board_destroy(h->board);
    trail_destroy(h->trail);
    config_free(&h->config);
}

/* ---- the board ---- */

static void the_board_gives_back_what_was_put_there(void **state)
{
    struct house h;
    struct text t = TEXT_INIT;
    (void)state;
    open_house(&h);
    assert_int_equal(board_frame_wall_ms(h.board), 0);
    board_append_state(h.board, 0, &t);
    assert_string_equal(text_get(&t), "null");
    board_set_state(h.board, 1, "{\"b\":1}");
    board_set_state(h.board, 0, "{\"a\":1}");
    board_set_state(h.board, 0, "{\"a\":2}");
    text_clear(&t);
    board_append_states(h.board, &h.config.site, -1, &t);
    assert_string_equal(text_get(&t), "{\"a\":2},{\"b\":1}");
    text_free(&t);
    close_house(&h);
}

static void what_changed_is_told_once(void **state)
{
    struct board *b = board_create(3);
    struct text t = TEXT_INIT;
    (void)state;
    board_set_state(b, 2, "{}");
    board_append_changed(b, &t);
    assert_string_equal(text_get(&t), "{}");
    text_clear(&t);
    board_append_changed(b, &t);
    assert_string_equal(text_get(&t), "");
    board_set_state(b, 3, "{}"); /* there is no such circuit */
    board_append_changed(b, &t);
    assert_string_equal(text_get(&t), "");
    text_free(&t);
    board_destroy(b);
}

/* ---- the trail of heat ---- */

static void the_heat_of_a_day_is_kept(void **state)
{
    struct trail *t = trail_create(2);
    double out[4];
    int64_t at = NOW / TRAIL_STEP_MS * TRAIL_STEP_MS;
    (void)state;
    assert_false(trail_get(t, 0, at, at + 4 * TRAIL_STEP_MS, 4, out));
    trail_put(t, 0, at + 100, 0.25);
    trail_put(t, 0, at + 200, 0.75); /* the hottest of each */
    trail_put(t, 0, at + 300, 0.5);
    trail_put(t, 0, at + 2 * TRAIL_STEP_MS, 0.1);
    trail_put(t, 0, at + 3 * TRAIL_STEP_MS, (double)NAN);
    trail_put(t, 7, at, 0.1);
    assert_true(trail_get(t, 0, at, at + 4 * TRAIL_STEP_MS, 4, out));
    assert_near(out[0], 0.75, 1e-9);
    assert_true(isnan(out[1]) && isnan(out[3]));
    assert_near(out[2], 0.1, 1e-9);
    assert_true(trail_get(t, 0, at + 1000, at + 5000, 4, out)); /* finer than it is kept */
    assert_near(out[3], 0.75, 1e-9);
    assert_false(trail_get(t, 1, at, at + 4 * TRAIL_STEP_MS, 4, out));
    trail_put(t, 0, at + TRAIL_STEPS * TRAIL_STEP_MS, 0.3); /* a day later */
    assert_true(trail_get(t, 0, at, at + 4 * TRAIL_STEP_MS, 4, out));
    assert_true(isnan(out[0])); /* two minutes are too short for the coarser grains */
    assert_near(out[2], 0.1, 1e-9);
    trail_put(t, 0, at - 5 * TRAIL_STEPS * TRAIL_STEP_MS, 0.9);  /* the clock was set back */
    trail_put(t, 0, at + 40 * TRAIL_STEPS * TRAIL_STEP_MS, 0.2); /* and far ahead */
    assert_false(trail_get(t, 0, at, at + 4 * TRAIL_STEP_MS, 4, out));
    trail_destroy(t);
}

static void the_heat_of_a_month_and_a_year_is_kept_more_coarsely(void **state)
{
    const int64_t hour = 3600000, day = 24 * hour, at = NOW / day * day;
    struct trail *t = trail_create(1);
    double out[24];
    (void)state;
    trail_put(t, 0, at + 7 * hour + 1, 0.9); /* one warm moment */
    for (int64_t h = 0; h < 40 * 24; h++) {
        if (h < 25 * 24) {
            assert_true(trail_get(t, 0, at, at + day, 24, out) > 0);
            assert_near(out[7], 0.9, 1e-9);
        }
        trail_put(t, 0, at + h * hour, 0.2);
    }
    assert_int_equal(trail_get(t, 0, at, at + day, 24, out), 4 * hour);
    assert_near(out[7], 0.9, 1e-9); /* of 4 to 8 */
    assert_near(out[4], 0.9, 1e-9);
    assert_near(out[8], 0.2, 1e-9);
    assert_int_equal(trail_get(t, 0, at, at + 2 * hour, 4, out),
                     0); /* too coarse for two hours */
    assert_int_equal(trail_get(t, 0, at + 20 * day, at + 21 * day, 24, out), TRAIL_QUARTER_MS);
    assert_int_equal(trail_get(t, 0, at + 39 * day + 12 * hour, at + 40 * day, 4, out),
                     TRAIL_STEP_MS);
    /* a year in twelve months: one way, each month of its own grain */
    assert_int_equal(trail_get(t, 0, at, at + 360 * day, 12, out), 4 * hour);
    assert_near(out[0], 0.9, 1e-9);
    assert_near(out[1], 0.2, 1e-9);
    assert_true(isnan(out[2]));
    trail_put(t, 0, at + 500 * day, 0.1);
    assert_int_equal(trail_get(t, 0, at, at + 2 * day, 4, out), 0); /* too long ago */
    trail_destroy(t);
}

static void the_heat_of_a_day_outlives_a_restart(void **state)
{
    struct house h;
    struct codec_out out = {0};
    double heat[2];
    int64_t at = NOW / TRAIL_STEP_MS * TRAIL_STEP_MS;
    (void)state;
    open_house(&h);
    const struct site *s = &h.config.site;
    trail_put(h.trail, 0, at, 0.5);
    trail_put(h.trail, 1, at + TRAIL_STEP_MS, 0.7);
    trail_save(h.trail, s, &out);
    struct trail *after = trail_create(s->circuit_count);
    assert_true(trail_load(after, s, &(struct codec_in){out.bytes, out.bytes + out.length, 0}));
    assert_true(trail_get(after, 0, at, at + 2 * TRAIL_STEP_MS, 2, heat));
    assert_near(heat[0], 0.5, 1e-9);
    assert_true(isnan(heat[1]));
    assert_true(trail_get(after, 1, at, at + 2 * TRAIL_STEP_MS, 2, heat));
    assert_near(heat[1], 0.7, 1e-9);
    for (size_t n = 1; n < out.length; n += 997) { /* cut short */
        if (trail_load(after, s, &(struct codec_in){out.bytes, out.bytes + n, 0}))
            continue;
        assert_false(trail_get(after, 0, at, at + 2 * TRAIL_STEP_MS, 2, heat));
        assert_false(trail_get(after, 1, at, at + 2 * TRAIL_STEP_MS, 2, heat));
    }
    trail_destroy(after);
    codec_out_free(&out);
    close_house(&h);
}

/* ---- live messages ---- */

static void every_reader_gets_every_message_at_its_own_pace(void **state)
{
    static const char all[] = "event: a\nid: 7\ndata: {\"x\":1}\n\nevent: b\ndata: {}\n\n";
    struct stream *s = stream_create(4096);
    struct stream_cursor slow = stream_now(s), quick = slow;
    char out[256];
    size_t n = 0;
    (void)state;
    assert_int_equal(stream_read(s, &slow, out, sizeof out), 0);
    stream_write(s, "a", 7, "{\"x\":1}");
    stream_write(s, "b", -1, "{}");
    assert_int_equal(stream_read(s, &quick, out, sizeof out), sizeof all - 1);
    assert_memory_equal(out, all, sizeof all - 1);
    for (size_t got; (got = stream_read(s, &slow, out + n, 3)) > 0;)
        n += got;
    assert_int_equal(n, sizeof all - 1);
    assert_memory_equal(out, all, n);
    struct stream_cursor late = stream_now(s);
    assert_int_equal(stream_read(s, &late, out, sizeof out), 0);
    stream_destroy(s);
}

static void a_reader_that_falls_behind_is_told_to_begin_anew(void **state)
{
    static const char again[] = "\n\nevent: again\ndata: {}\n\n";
    struct stream *s = stream_create(256);
    struct stream_cursor c = stream_now(s);
    char out[512];
    (void)state;
    for (int i = 0; i < 20; i++)
        stream_write(s, "x", i, "{\"a\":\"some words\"}");
    assert_int_equal(stream_read(s, &c, out, sizeof out), sizeof again - 1);
    assert_memory_equal(out, again, sizeof again - 1);
    assert_int_equal(stream_read(s, &c, out, sizeof out), 0);
    stream_write(s, "y", -1, "{}");
    assert_int_equal(stream_read(s, &c, out, sizeof out), strlen("event: y\ndata: {}\n\n"));
    stream_destroy(s);
}

/* ---- answers ---- */

static void ask(struct house *h, struct web_request r, int status, const char *part)
{
    struct web_answer a = {0};
    struct store_reader *reader = store_reader_open("/nonexistent/foretrip.db");
    if (!r.method)
        r.method = "GET";
    web_answer_request(&h->context, reader, &r, NOW, &a);
    if (a.status != status || (part && !strstr(text_get(&a.body), part)))
        fail_msg("%s %s: %d %s", r.method, r.path, a.status, text_get(&a.body));
    web_answer_free(&a);
    store_reader_close(reader);
}

static void what_is_asked_wrongly_is_answered_with_a_sentence(void **state)
{
    static const struct {
        const char *method, *path, *name, *value;
        int status;
        const char *part;
    } cases[] = {
        {"GET", "/api/v1/site", 0, 0, 200, "\"timezone\":\"America/Chicago\""},
        {"GET", "/api/v1/circuits", 0, 0, 200, "{\"frame_at\":null,\"circuits\":[]}"},
        {"GET", "/api/v1/circuits", "panel", "attic", 404, "no such panel"},
        {"GET", "/api/v1/circuits", "colour", "red", 400, "there is no parameter colour here"},
        {"GET", "/api/v1/circuits/main-07", 0, 0, 200,
         "\"state\":null,\"known_loads\":[],\"circuit_is\":null}"},
        {"GET", "/api/v1/circuits/main-99", 0, 0, 404, "there is no circuit main-99"},
        {"GET", "/api/v1/circuits/main-07/history", "from", "yesterday", 400, "is no time"},
        {"GET", "/api/v1/circuits/main-07/history", "points", "2001", 400, "2 to 2000"},
        {"GET", "/api/v1/circuits/main-07/history", "points", "12x", 400, "no whole number"},
        {"GET", "/api/v1/circuits/main-07/history", "quantity", "ohms", 400, "quantity is"},
        {"GET", "/api/v1/circuits/main-07/history", "pole", "2", 400, "1 to 1"},
        {"GET", "/api/v1/circuits/main-07/history", "from", "2030-01-01T00:00:00Z", 400,
         "before to"},
        {"GET", "/api/v1/circuits/main-07/export.csv", "from", "2020-01-01T00:00:00Z", 400,
         "by a day"},
        {"GET", "/api/v1/alarms", "all", "yes", 400, "neither true nor false"},
        {"GET", "/api/v1/trips", 0, 0, 503, "cannot be read"},
        {"GET", "/api/v1/trips/main-07-20260101T061502Z", 0, 0, 503, "cannot be read"},
        {"GET", "/api/v1/trips/nothing", 0, 0, 503, "cannot be read"},
        {"GET", "/api/v1/circuits/main-07/energy", "from", "2001-01-01T00:00:00Z", 400,
         "400 days"},
        {"GET", "/api/v1/circuits/main-99/energy", 0, 0, 404, "no circuit main-99"},
        {"GET", "/api/v1/study", "circuit", "main-99", 404, "no circuit main-99"},
        {"GET", "/api/v1/study", "panel", "cellar", 404, "no panel cellar"},
        {"GET", "/api/v1/study", "amps", "-3", 400, "amps is no current"},
        {"GET", "/api/v1/study", "amps", "3 A", 400, "amps is no current"},
        {"GET", "/api/v1/study", "to", "2001-01-01T00:00:00Z", 200, "\"circuit\":-1"},
        {"GET", "/api/v1/advice", "circuit", "main-07", 400, "no parameter circuit"},
        {"GET", "/api/v1/advice", "to", "now-ish", 400, "is no time"},
        {"GET", "/api/v1/nothing", 0, 0, 404, "nothing of that name"},
        {"GET", "/api/v1/circuits/../site", 0, 0, 404, "nothing of that name"},
        {"GET", "/../../etc/passwd", 0, 0, 404, "nothing of that name"},
        {"GET", "/api/v1/circuits/main\xff/history", 0, 0, 404, NULL},
        {"POST", "/api/v1/site", 0, 0, 405, "can not be done"},
        {"GET", "/api/v1/alarms/x/acknowledge", 0, 0, 405, "can not be done"},
        {"PUT", "/", 0, 0, 405, "can not be done"},
        {"HEAD", "/api/v1/site", 0, 0, 200, NULL},
    };
    struct house h;
    (void)state;
    open_house(&h);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct web_request r = {.method = cases[i].method, .path = cases[i].path};
        if (cases[i].name)
            r.query[r.query_count++] = (struct web_pair){cases[i].name, cases[i].value};
        ask(&h, r, cases[i].status, cases[i].part);
    }
    close_house(&h);
}

static void only_this_page_may_change_anything(void **state)
{
    static const char path[] = "/api/v1/alarms/main-07.near_overload/acknowledge";
    const struct web_request r = {
        .method = "POST", .path = path, .body = "{}", .body_length = 2, .host = "localhost:80"};
    struct web_request with;
    struct house h;
    (void)state;
    open_house(&h);
    ask(&h, r, 415, "application/json");
    with = r, with.content_type = "text/plain";
    ask(&h, with, 415, NULL);
    with.content_type = "application/json; charset=utf-8";
    ask(&h, with, 200, "\"alarm\":\"main-07.near_overload\"");
    with.origin = "http://localhost:80";
    ask(&h, with, 200, NULL);
    with.origin = "http://elsewhere.example";
    ask(&h, with, 403, "another page");
    with.origin = "null";
    ask(&h, with, 403, "another page");
    with.origin = NULL, with.body = "[]";
    ask(&h, with, 400, "must be a JSON object");
    with.body = "{\"by\":\"a\",\"by\":\"b\"}", with.body_length = strlen(with.body);
    ask(&h, with, 400, "must be a JSON object");
    with.body = "{\"alarm\":\"x\"}", with.body_length = strlen(with.body);
    ask(&h, with, 200, "\"alarm\":\"main-07.near_overload\"");
    close_house(&h);
}

static void loopback_answers_to_its_own_names_alone(void **state)
{
    static const struct {
        const char *host;
        int status;
    } cases[] = {{"localhost", 200},
                 {"localhost:8474", 200},
                 {"127.0.0.1:1", 200},
                 {"[::1]:8474", 200},
                 {"evil.example", 421},
                 {"127.0.0.1.evil.example", 421},
                 {"localhost.evil.example", 421},
                 {"", 421},
                 {"[::1", 421}};
    struct house h;
    (void)state;
    open_house(&h);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        ask(&h, (struct web_request){.path = "/api/v1/status", .host = cases[i].host},
            cases[i].status, NULL);
    h.context.local = false;
    ask(&h, (struct web_request){.path = "/api/v1/status", .host = "gateway.example"}, 200,
        NULL);
    close_house(&h);
}

static void what_has_not_changed_is_not_sent_again(void **state)
{
    struct house h;
    struct web_answer first = {0}, second = {0};
    char tag[64];
    (void)state;
    open_house(&h);
    struct web_request r = {.method = "GET", .path = "/api/v1/site"};
    web_answer_request(&h.context, NULL, &r, NOW, &first);
    assert_int_equal(first.status, 200);
    snprintf(tag, sizeof tag, "\"%s\"", first.tag);
    r.if_none_match = tag;
    web_answer_request(&h.context, NULL, &r, NOW, &second);
    assert_int_equal(second.status, 304);
    assert_int_equal(second.body.length, 0);
    web_answer_free(&first);
    web_answer_free(&second);
    close_house(&h);
}

static void the_page_is_there_and_small(void **state)
{
    size_t compressed = 0;
    (void)state;
    assert_non_null(asset_find(assets, "/"));
    assert_ptr_equal(asset_find(assets, "/"), asset_find(assets, "/index.html"));
    assert_null(asset_find(assets, "/index"));
    for (const struct asset *a = assets; a->path; a++)
        compressed += a->gzip_length ? a->gzip_length : a->length;
    assert_in_range(compressed, 1, 150 * 1024);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_board_gives_back_what_was_put_there),
        cmocka_unit_test(what_changed_is_told_once),
        cmocka_unit_test(the_heat_of_a_day_is_kept),
        cmocka_unit_test(the_heat_of_a_month_and_a_year_is_kept_more_coarsely),
        cmocka_unit_test(the_heat_of_a_day_outlives_a_restart),
        cmocka_unit_test(every_reader_gets_every_message_at_its_own_pace),
        cmocka_unit_test(a_reader_that_falls_behind_is_told_to_begin_anew),
        cmocka_unit_test(what_is_asked_wrongly_is_answered_with_a_sentence),
        cmocka_unit_test(only_this_page_may_change_anything),
        cmocka_unit_test(loopback_answers_to_its_own_names_alone),
        cmocka_unit_test(what_has_not_changed_is_not_sent_again),
        cmocka_unit_test(the_page_is_there_and_small),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
