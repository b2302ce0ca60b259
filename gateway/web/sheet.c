#include "sheet.h"

#include "api.h"
#include "discreet.h"

#include "base/clock.h"

#include <stdio.h>
#include <string.h>

/* Appends what the page is answered to that, as the member `name`, or, without a name, its
 * members. */
static bool add(const struct api_call *c, api_function *ask, const char *name, struct text *out,
                char why[SHEET_WHY_SIZE])
{
    struct web_answer a = {0};
    ask(c, &a);
    const char *body = text_get(&a.body);
    size_t n = strlen(body);
    while (n > 0 && body[n - 1] == '\n')
        n--;
    bool good = a.status == 200 && n >= 2 && body[0] == '{';
    if (good && name)
        text_printf(out, ",\"%s\":%.*s", name, (int)n, body);
    else if (good && n > 2)
        text_printf(out, ",%.*s", (int)n - 2, body + 1);
    if (!good) { /* {"error":"a sentence"} */
        json_t *o = json_loads(body, 0, NULL);
        const char *said = json_string_value(json_object_get(o, "error"));
        snprintf(why, SHEET_WHY_SIZE, "%s", said ? said : "memory is short, try again");
        json_decref(o);
    }
    web_answer_free(&a);
    return good;
}

static void add_states(const struct sheet *s, struct text *out)
{
    text_append(out, ",\"circuits\":[");
    if (s->discreet)
        discreet_states(s->states, out);
    else
        text_append(out, s->states);
    text_append(out, "]");
}

bool sheet_write(const struct sheet *s, struct text *out, char why[SHEET_WHY_SIZE])
{
    char time[CLOCK_RFC3339_SIZE];
    const struct web_context x = {.site = s->site};
    const struct web_request plain = {0},
                             trips = {.query = {{"most", SHEET_TRIPS}}, .query_count = 1},
                             calls = {.query = {{"open", "true"}, {"most", SHEET_CALLS}},
                                      .query_count = 2};
    struct api_call c = {.x = &x,
                         .reader = s->reader,
                         .r = &plain,
                         .wall_ms = s->wall_ms,
                         .who = {.role = ROLE_ADMINISTRATOR},
                         .discreet = s->discreet};
    clock_format_rfc3339(s->wall_ms, time);
    text_printf(out, "{\"time\":\"%s\",\"discreet\":%s", time, s->discreet ? "true" : "false");
    bool good = add(&c, api_site, "unit", out, why);
    add_states(s, out);
    good = good && add(&c, api_alarms, NULL, out, why);
    c.r = &trips;
    good = good && add(&c, api_trips, NULL, out, why);
    c.r = &calls;
    good = good && add(&c, api_calls, NULL, out, why);
    c.r = &plain;
    if (good && s->trip[0])
        good = text_copy(c.id, sizeof c.id, s->trip) && add(&c, api_trip, NULL, out, why);
    text_append(out, "}");
    if (good && (out->failed || out->length > SHEET_MOST_BYTES)) {
        snprintf(why, SHEET_WHY_SIZE, "%s",
                 out->failed ? "memory is short, try again"
                             : "the sheet is longer than 512 KiB; ask the page at the site");
        good = false;
    }
    return good;
}
