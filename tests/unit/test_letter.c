/* letter: a mail as RFC 5322, 2045 and 2047 have it, a webhook's JSON. The decoding by a reader
 * of somebody else's is in tests/peer/letters.sh; here are the corners. */
#include "check.h"

#include "notify/letter.h"

#include <stdlib.h>

static char *make(const char *subject, const char *what)
{
    json_t *l = letter_create("alder-31", "kim", "en", "urgent", 1800014400000, subject);
    letter_add(l, LETTER_TITLE, "A title");
    letter_add(l, LETTER_WHAT, what);
    letter_add(l, LETTER_ACT, "");
    letter_add_alarm(l, "main-07.trip", "trip", "urgent", "unacknowledged");
    char *dumped = letter_dump(l);
    json_decref(l);
    return dumped;
}

static const struct letter_envelope envelope = {.from = "h@alder.example",
                                                .from_name = "31 Alder Lane",
                                                .to = "kim@example.net",
                                                .to_name = "Kim \"K\" Ito",
                                                .id = 42,
                                                .wall_ms = 1800014400000};

static void a_mail_is_plain_ascii_in_short_lines(void **state)
{
    struct text out = TEXT_INIT;
    char long_text[3000];
    (void)state;
    memset(long_text, 'x', sizeof long_text);
    memcpy(long_text + 70, "\xc3\xa9\xc3\xa9\xc3\xa9", 6);
    long_text[sizeof long_text - 1] = '\0';
    char *payload = make("N\xc3\xbamero \xe2\x80\x94 1", long_text);
    assert_true(letter_to_mail(payload, &envelope, &out));
    size_t column = 0;
    for (const char *c = text_get(&out); *c; c++) {
        assert_true((unsigned char)*c < 127);
        if (*c == '\n')
            assert_true(c > text_get(&out) && c[-1] == '\r');
        column = *c == '\n' ? 0 : column + 1;
        assert_true(column <= 79); /* 78 and the CR, RFC 5322 2.1.1 */
    }
    assert_non_null(
        strstr(text_get(&out), "\r\nSubject: =?UTF-8?B?TsO6bWVybyDigJQgMQ==?=\r\n"));
    /* RFC 5322 3.4: which house it is stands beside the address */
    assert_memory_equal(text_get(&out), "From: \"31 Alder Lane\" <h@alder.example>\r\n", 41);
    assert_non_null(strstr(text_get(&out), "\r\nDate: Fri, 15 Jan 2027 12:00:00 +0000\r\n"));
    assert_non_null(
        strstr(text_get(&out), "\r\nMessage-ID: <alder-31-42.foretrip@alder.example>"));
    assert_non_null(strstr(text_get(&out), "\r\nImportance: high\r\n"));
    free(payload);
    text_free(&out);
}

/* RFC 2047 5: no character is cut between two encoded words */
static void a_long_subject_is_cut_between_characters(void **state)
{
    struct text out = TEXT_INIT, subject = TEXT_INIT;
    (void)state;
    text_append(&subject, "x");
    for (int i = 0; i < 40; i++)
        text_append(&subject, "\xe2\x82\xac"); /* three bytes each */
    char *payload = make(text_get(&subject), "what");
    assert_true(letter_to_mail(payload, &envelope, &out));
    const char *at = strstr(text_get(&out), "Subject: ");
    size_t words = 0;
    for (const char *w = at; (w = strstr(w, "=?UTF-8?B?")) && w < strstr(at, "\r\nDate"); w++) {
        size_t length = strcspn(w + 10, "?");
        size_t pad = w[10 + length - 2] == '=' ? 2U : w[10 + length - 1] == '=' ? 1U : 0U;
        size_t bytes = length / 4 * 3 - pad;
        assert_int_equal((bytes - (words == 0)) % 3, 0);
        words++;
    }
    assert_true(words >= 3);
    free(payload);
    text_free(&out);
    text_free(&subject);
}

/* whatever stands in a name or a subject begins no header of its own */
static void nothing_smuggles_in_a_header(void **state)
{
    struct text out = TEXT_INIT;
    struct letter_envelope e = envelope;
    (void)state;
    e.to_name = "Kim\r\nBcc: all@example.net";
    e.from_name = "31 Alder\r\nBcc: all@example.net";
    char *payload = make("Open\r\nBcc: all@example.net\r\n\r\nbody", "what");
    assert_true(letter_to_mail(payload, &e, &out));
    char *end = strstr(out.bytes, "\r\n\r\n"); /* of the headers */
    assert_non_null(end);
    *end = '\0';
    assert_null(strstr(out.bytes, "\nBcc:"));
    free(payload);
    text_free(&out);
}

static void html_is_escaped_and_the_lost_are_said(void **state)
{
    struct text out = TEXT_INIT;
    struct letter_envelope e = envelope;
    (void)state;
    e.lost = "2 were lost.";
    char *payload = make("Open", "<script>alert(1)</script> & more");
    assert_true(letter_to_mail(payload, &e, &out));
    const char *html = strstr(text_get(&out), "Content-Type: text/html");
    assert_non_null(html);
    assert_null(strstr(html, "<script>"));
    assert_non_null(strstr(html, "&lt;script&gt;"));
    assert_non_null(strstr(html, "2 were lost."));
    free(payload);
    text_free(&out);
}

static void a_webhook_gets_text_and_alarms_and_no_parts(void **state)
{
    struct text out = TEXT_INIT;
    (void)state;
    char *payload = make("Open", "what");
    assert_true(letter_to_webhook(payload, &envelope, &out));
    json_t *o = json_loads(text_get(&out), 0, NULL);
    assert_non_null(o);
    assert_string_equal(json_string_value(json_object_get(o, "id")), "alder-31-42");
    assert_string_equal(json_string_value(json_object_get(o, "text")), "A title\n\nwhat\n");
    assert_string_equal(json_string_value(json_object_get(
                            json_array_get(json_object_get(o, "alarms"), 0), "alarm")),
                        "main-07.trip");
    assert_null(json_object_get(o, "parts"));
    json_decref(o);
    free(payload);
    text_free(&out);
}

static void the_body_does_not_begin_with_the_subject_again(void **state)
{
    static const struct {
        const char *subject;
        bool again;
    } cases[] = {
        {"A title", false},     {"Unanswered: A title", false},
        {"A title (+2)", true}, {"Still: A ti\xe2\x80\xa6", true},
        {"Another", true},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct text out = TEXT_INIT, mail = TEXT_INIT;
        char *payload = make(cases[i].subject, "what");
        assert_true(letter_to_webhook(payload, &envelope, &out));
        json_t *o = json_loads(text_get(&out), 0, NULL);
        assert_string_equal(json_string_value(json_object_get(o, "text")),
                            cases[i].again ? "A title\n\nwhat\n" : "what\n");
        json_decref(o);
        assert_true(letter_to_mail(payload, &envelope, &mail));
        const char *body = strstr(text_get(&mail), "<body");
        assert_non_null(body);
        assert_int_equal(strstr(body, "A title") != NULL, cases[i].again);
        free(payload);
        text_free(&out);
        text_free(&mail);
    }
}

static void what_is_no_letter_is_refused(void **state)
{
    static const char *const cases[] = {
        "", "{", "[]", "{}", "{\"subject\":1,\"parts\":[]}", "{\"subject\":\"x\"}"};
    struct text out = TEXT_INIT;
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_false(letter_to_mail(cases[i], &envelope, &out));
        assert_false(letter_to_webhook(cases[i], &envelope, &out));
    }
    assert_int_equal(out.length, 0);
    /* odd parts are passed over */
    assert_true(
        letter_to_mail("{\"subject\":\"x\",\"parts\":[1,[2,3],[\"what\"]]}", &envelope, &out));
    text_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_mail_is_plain_ascii_in_short_lines),
        cmocka_unit_test(a_long_subject_is_cut_between_characters),
        cmocka_unit_test(nothing_smuggles_in_a_header),
        cmocka_unit_test(html_is_escaped_and_the_lost_are_said),
        cmocka_unit_test(a_webhook_gets_text_and_alarms_and_no_parts),
        cmocka_unit_test(the_body_does_not_begin_with_the_subject_again),
        cmocka_unit_test(what_is_no_letter_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
