#include "payload.h"

#include "base/clock.h"

#include <jansson.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

void payload_with_seq(struct text *out, int64_t seq, const char *object)
{
    text_printf(out, "{\"seq\":%lld%s%s", (long long)seq, object[1] == '}' ? "" : ",",
                object + 1);
}

void payload_trip(struct text *out, const char *object, int64_t restored_wall_ms,
                  double seconds_open, double seconds_held)
{
    char at[CLOCK_RFC3339_SIZE];
    text_append_bytes(out, object, strlen(object) - 1); /* without the closing brace */
    if (restored_wall_ms > 0) {
        clock_format_rfc3339(restored_wall_ms, at);
        text_printf(out, ",\"restored_at\":\"%s\",\"seconds_open\":%.10g", at, seconds_open);
    }
    if (isfinite(seconds_held))
        text_printf(out, ",\"opened_again_after_seconds\":%.10g", seconds_held);
    text_append(out, "}");
}

size_t payload_read_about(const char *object, struct payload_about out[PAYLOAD_ABOUT_MOST])
{
    static const char *const names[PAYLOAD_ABOUT_MOST] = {"type", "circuit", "kind", "priority",
                                                          "state"};
    size_t count = 0;
    json_t *o = json_loads(object, 0, NULL);
    for (size_t i = 0; i < PAYLOAD_ABOUT_MOST; i++) {
        const char *value = json_string_value(json_object_get(o, names[i]));
        if (value && text_copy(out[count].value, sizeof out[count].value, value))
            out[count++].name = names[i];
    }
    json_decref(o);
    return count;
}

void payload_quote(struct text *out, const char *s)
{
    json_t *v = json_string(s);
    if (!v) { /* not UTF-8 */
        struct text plain = TEXT_INIT;
        text_append(&plain, s);
        for (size_t i = 0; i < plain.length; i++)
            if ((unsigned char)plain.bytes[i] >= 0x80)
                plain.bytes[i] = '?';
        v = json_string(text_get(&plain));
        text_free(&plain);
    }
    char *dumped = v ? json_dumps(v, JSON_ENCODE_ANY | JSON_COMPACT) : NULL;
    text_append(out, dumped ? dumped : "\"\"");
    free(dumped);
    json_decref(v);
}

void payload_answer(struct text *out, const char *id, const char *error, const char *members)
{
    text_append(out, "{\"id\":");
    payload_quote(out, id);
    text_append(out, error ? ",\"ok\":false,\"error\":" : ",\"ok\":true");
    if (error)
        payload_quote(out, error);
    else if (members && members[0] == '{' && members[1] != '}')
        text_printf(out, ",%s", members + 1);
    if (error || !members || members[0] != '{' || members[1] == '}')
        text_append(out, "}");
}
