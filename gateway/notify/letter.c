#include "letter.h"

#include "base/clock.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define LINE 74       /* of quoted-printable, RFC 2045 6.7 allows 76 */
#define WORD_BYTES 42 /* in an encoded word, RFC 2047 allows 75 characters in all */

static const char *const part_names[] = {
    [LETTER_TITLE] = "title",
    [LETTER_WHAT] = "what",
    [LETTER_ACT] = "act",
    [LETTER_SMALL] = "small",
};

json_t *letter_create(const char *site, const char *person, const char *language,
                      const char *priority, int64_t wall_ms, const char *subject)
{
    char time[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(wall_ms, time);
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:[], s:[]}", "site", site, "person",
                     person, "language", language, "priority", priority, "time", time,
                     "subject", subject, "parts", "alarms");
}

void letter_add(json_t *letter, enum letter_part part, const char *text)
{
    if (text[0])
        json_array_append_new(json_object_get(letter, "parts"),
                              json_pack("[s, s]", part_names[part], text));
}

void letter_add_alarm(json_t *letter, const char *alarm, const char *kind, const char *priority,
                      const char *state)
{
    json_array_append_new(json_object_get(letter, "alarms"),
                          json_pack("{s:s, s:s, s:s, s:s}", "alarm", alarm, "kind", kind,
                                    "priority", priority, "state", state));
}

void letter_set_thread(json_t *letter, const char *thread)
{
    json_object_set_new(letter, "thread", json_string(thread));
}

char *letter_dump(const json_t *letter)
{
    return json_dumps(letter, JSON_COMPACT);
}

void letter_id(const char *site, int64_t row, struct text *out)
{
    text_printf(out, "%s-%lld", site, (long long)row);
}

/* ---- reading it back ---- */

static const char *member(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

static json_t *read_letter(const char *payload)
{
    json_t *o = json_loads(payload, 0, NULL);
    if (o && json_is_string(json_object_get(o, "subject")) &&
        json_is_array(json_object_get(o, "parts")))
        return o;
    json_decref(o);
    return NULL;
}

/* The first title of a letter about one thing says what its subject has said already: beneath
 * the subject a telephone's lock screen has room for one line, which is to say more. */
static bool is_subject_again(const json_t *letter, size_t i, const json_t *part)
{
    const char *subject = member(letter, "subject"),
               *text = json_string_value(json_array_get(part, 1)),
               *kind = json_string_value(json_array_get(part, 0));
    size_t length = strlen(subject), tail = text ? strlen(text) : 0;
    return i == 0 && kind && strcmp(kind, part_names[LETTER_TITLE]) == 0 && tail > 0 &&
           tail <= length && strcmp(subject + length - tail, text) == 0 &&
           json_array_size(json_object_get(letter, "parts")) > 1;
}

static void append_plain(const json_t *letter, const char *lost, struct text *out)
{
    size_t i;
    const json_t *part;
    json_array_foreach(json_object_get(letter, "parts"), i, part)
    {
        const char *text = json_string_value(json_array_get(part, 1));
        if (is_subject_again(letter, i, part))
            continue;
        text_printf(out, "%s%s", out->length ? "\n\n" : "", text ? text : "");
    }
    if (lost)
        text_printf(out, "\n\n%s", lost);
    text_append(out, "\n");
}

static void append_escaped(struct text *out, const char *s)
{
    for (; *s; s++)
        switch (*s) {
        case '<': text_append(out, "&lt;"); break;
        case '>': text_append(out, "&gt;"); break;
        case '&': text_append(out, "&amp;"); break;
        case '"': text_append(out, "&quot;"); break;
        default: text_append_bytes(out, s, 1);
        }
}

static void append_tagged(struct text *out, const char *open, const char *s, const char *close)
{
    text_append(out, open);
    append_escaped(out, s);
    text_append(out, close);
}

static void append_html(const json_t *letter, const char *lost, struct text *out)
{
    size_t i;
    const json_t *part;
    append_tagged(out, "<!DOCTYPE html>\n<html lang=\"", member(letter, "language"),
                  "\">\n<head><meta charset=\"utf-8\">");
    append_tagged(out, "<title>", member(letter, "subject"),
                  "</title></head>\n<body style=\"font-family:sans-serif;font-size:16px;"
                  "line-height:1.4;max-width:40em\">\n");
    json_array_foreach(json_object_get(letter, "parts"), i, part)
    {
        const char *kind = json_string_value(json_array_get(part, 0));
        const char *text = json_string_value(json_array_get(part, 1));
        if (!kind || !text || is_subject_again(letter, i, part))
            continue;
        if (strcmp(kind, part_names[LETTER_TITLE]) == 0)
            append_tagged(out, "<h2 style=\"font-size:18px\">", text, "</h2>\n");
        else if (strcmp(kind, part_names[LETTER_ACT]) == 0)
            append_tagged(out, "<p style=\"border-left:4px solid;padding-left:12px\"><strong>",
                          text, "</strong></p>\n");
        else if (strcmp(kind, part_names[LETTER_SMALL]) == 0)
            append_tagged(out, "<p style=\"font-size:13px\">", text, "</p>\n");
        else
            append_tagged(out, "<p>", text, "</p>\n");
    }
    if (lost)
        append_tagged(out, "<p style=\"font-size:13px\">", lost, "</p>\n");
    text_append(out, "</body>\n</html>\n");
}

/* ---- the mail ---- */

/* RFC 2045 6.7; a line end becomes CRLF */
static void append_quoted_printable(struct text *out, const char *s)
{
    size_t column = 0;
    for (; *s; s++) {
        unsigned char c = (unsigned char)*s;
        if (c == '\n') {
            text_append(out, "\r\n");
            column = 0;
            continue;
        }
        bool last = s[1] == '\n' || s[1] == '\0';
        bool plain = (c >= 33 && c <= 126 && c != '=') || ((c == ' ' || c == '\t') && !last);
        size_t width = plain ? 1 : 3;
        if (column + width > LINE) {
            text_append(out, "=\r\n");
            column = 0;
        }
        if (plain)
            text_append_bytes(out, s, 1);
        else
            text_printf(out, "=%02X", c);
        column += width;
    }
}

static void append_base64(struct text *out, const char *bytes, size_t length)
{
    static const char digits[] =
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    for (size_t i = 0; i < length; i += 3) {
        unsigned v = 0;
        size_t n = length - i < 3 ? length - i : 3;
        for (size_t k = 0; k < 3; k++)
            v = v << 8 | (k < n ? (unsigned char)bytes[i + k] : 0U);
        for (size_t k = 0; k < 4; k++)
            text_append_bytes(out, k <= n ? &digits[v >> (18 - 6 * k) & 63] : "=", 1);
    }
}

static bool is_plain(const char *s)
{
    for (; *s; s++)
        if ((unsigned char)*s < 32 || (unsigned char)*s > 126)
            return false;
    return true;
}

/* The text of a header: as it is, or as encoded words that never cut a character (RFC 2047). */
static void append_header_text(struct text *out, const char *s, bool quote)
{
    if (is_plain(s) && !strpbrk(s, "\"\\") && strncmp(s, "=?", 2) != 0) {
        text_printf(out, quote ? "\"%s\"" : "%s", s);
        return;
    }
    for (size_t at = 0, length = strlen(s); at < length;) {
        size_t n = length - at < WORD_BYTES ? length - at : WORD_BYTES;
        while (at + n < length && n > 1 && ((unsigned char)s[at + n] & 0xc0) == 0x80)
            n--;
        text_append(out, at ? "\r\n =?UTF-8?B?" : "=?UTF-8?B?");
        append_base64(out, s + at, n);
        text_append(out, "?=");
        at += n;
    }
}

static void append_date(struct text *out, int64_t wall_ms)
{
    static const char *const days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    static const char *const months[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                         "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    time_t t = (time_t)(wall_ms / 1000);
    struct tm tm;
    if (gmtime_r(&t, &tm))
        text_printf(out, "Date: %s, %02d %s %04d %02d:%02d:%02d +0000\r\n", days[tm.tm_wday],
                    tm.tm_mday, months[tm.tm_mon], tm.tm_year + 1900, tm.tm_hour, tm.tm_min,
                    tm.tm_sec);
}

static void append_mailbox(struct text *out, const char *header, const char *name,
                           const char *address)
{
    text_printf(out, "%s: ", header);
    if (name && name[0])
        append_header_text(out, name, true);
    text_printf(out, name && name[0] ? " <%s>\r\n" : "%s\r\n", address);
}

static void append_headers(struct text *out, const json_t *letter,
                           const struct letter_envelope *e, const char *id)
{
    const char *domain = strrchr(e->from, '@');
    append_mailbox(out, "From", e->from_name, e->from);
    append_mailbox(out, "To", e->to_name, e->to);
    text_append(out, "Subject: ");
    append_header_text(out, member(letter, "subject"), false);
    text_append(out, "\r\n");
    append_date(out, e->wall_ms);
    text_printf(out, "Message-ID: <%s.foretrip@%s>\r\n", id,
                domain ? domain + 1 : "localhost.invalid");
    /* RFC 5322 3.6.4: a first letter that does not exist holds the thread together */
    if (member(letter, "thread")[0])
        text_printf(out, "References: <%s.%s.foretrip@%s>\r\n", member(letter, "thread"),
                    member(letter, "site"), domain ? domain + 1 : "localhost.invalid");
    if (strcmp(member(letter, "priority"), "urgent") == 0)
        text_append(out, "Importance: high\r\n"); /* RFC 2156 */
    /* RFC 3834: nobody's absence notice is to answer it */
    text_append(out, "Auto-Submitted: auto-generated\r\nMIME-Version: 1.0\r\n");
}

static void append_body(struct text *out, const char *boundary, const char *type,
                        const char *body)
{
    text_printf(out,
                "--%s\r\nContent-Type: %s; charset=utf-8\r\n"
                "Content-Transfer-Encoding: quoted-printable\r\n\r\n",
                boundary, type);
    append_quoted_printable(out, body);
    text_append(out, "\r\n");
}

bool letter_to_mail(const char *payload, const struct letter_envelope *e, struct text *out)
{
    json_t *letter = read_letter(payload);
    if (!letter)
        return false;
    struct text plain = TEXT_INIT, html = TEXT_INIT, id = TEXT_INIT, boundary = TEXT_INIT;
    letter_id(member(letter, "site"), e->id, &id);
    text_printf(&boundary, "=_%s", text_get(&id)); /* "=_" cannot stand in quoted-printable */
    append_plain(letter, e->lost, &plain);
    append_html(letter, e->lost, &html);
    append_headers(out, letter, e, text_get(&id));
    text_printf(out, "Content-Type: multipart/alternative; boundary=\"%s\"\r\n\r\n",
                text_get(&boundary));
    append_body(out, text_get(&boundary), "text/plain", text_get(&plain));
    append_body(out, text_get(&boundary), "text/html", text_get(&html));
    text_printf(out, "--%s--\r\n", text_get(&boundary));
    bool good = !plain.failed && !html.failed && !id.failed && !boundary.failed && !out->failed;
    text_free(&plain);
    text_free(&html);
    text_free(&id);
    text_free(&boundary);
    json_decref(letter);
    return good;
}

bool letter_to_webhook(const char *payload, const struct letter_envelope *e, struct text *out)
{
    json_t *letter = read_letter(payload);
    if (!letter)
        return false;
    struct text plain = TEXT_INIT, id = TEXT_INIT;
    append_plain(letter, e->lost, &plain);
    letter_id(member(letter, "site"), e->id, &id);
    json_object_del(letter, "parts");
    json_object_set_new(letter, "id", json_string(text_get(&id)));
    json_object_set_new(letter, "text", json_string(text_get(&plain)));
    char *dumped = json_dumps(letter, JSON_COMPACT);
    if (dumped)
        text_append(out, dumped);
    bool good = dumped && !out->failed;
    free(dumped);
    text_free(&plain);
    text_free(&id);
    json_decref(letter);
    return good;
}
