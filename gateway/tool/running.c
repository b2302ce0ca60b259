#include "running.h"

#include "base/clock.h"
#include "base/text.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>

#define MOST_BYTES ((size_t)1024 * 1024)

static json_t *judge(json_t *o, const char *path, char why[RUNNING_WHY_SIZE])
{
    const char *at = json_string_value(json_object_get(o, "at"));
    json_int_t pid = json_integer_value(json_object_get(o, "pid"));
    int64_t wall_ms = 0;
    if (!at || pid <= 0 || !clock_parse(at, strlen(at), &wall_ms))
        snprintf(why, RUNNING_WHY_SIZE, "%s is not what a gateway writes", path);
    else if (kill((pid_t)pid, 0) != 0 && errno == ESRCH)
        snprintf(why, RUNNING_WHY_SIZE,
                 "the gateway has been ended without a farewell: its process %lld is gone",
                 (long long)pid);
    else if (llabs(clock_wall_ms() - wall_ms) > RUNNING_STALE_MS)
        snprintf(why, RUNNING_WHY_SIZE,
                 "the gateway (process %lld) has said nothing since %s: it hangs, or the clock "
                 "was set",
                 (long long)pid, at);
    else
        return o;
    json_decref(o);
    return NULL;
}

json_t *running_read(const char *directory, char why[RUNNING_WHY_SIZE])
{
    struct text t = TEXT_INIT, path = TEXT_INIT;
    json_t *o = NULL;
    text_printf(&path, "%s/status.json", directory);
    if (text_read_file(&t, text_get(&path), MOST_BYTES)) {
        o = json_loadb(text_get(&t), t.length, 0, NULL);
        if (o)
            o = judge(o, text_get(&path), why);
        else
            snprintf(why, RUNNING_WHY_SIZE, "%s is not what a gateway writes", text_get(&path));
    } else if (errno == ENOENT || errno == ENOTDIR) {
        snprintf(why, RUNNING_WHY_SIZE, "no gateway runs (%s is not there)", text_get(&path));
    } else {
        snprintf(why, RUNNING_WHY_SIZE, "%s cannot be read: %s", text_get(&path),
                 strerror(errno));
    }
    text_free(&t);
    text_free(&path);
    return o;
}

bool running_well(const json_t *o)
{
    const json_t *record = json_object_get(o, "record"), *broker = json_object_get(o, "broker"),
                 *letters = json_object_get(o, "letters"), *page = json_object_get(o, "page");
    bool well = json_is_true(json_object_get(record, "ok")) &&
                !json_is_true(json_object_get(record, "short_of_room"));
    size_t i;
    json_t *each;
    json_array_foreach(json_object_get(o, "meters"), i, each)
    {
        const char *state = json_string_value(json_object_get(each, "state"));
        well = well && state && strcmp(state, "ok") == 0;
    }
    json_array_foreach(json_object_get(o, "parts"), i, each) well =
        well && !json_is_true(json_object_get(each, "stuck"));
    if (json_is_object(broker))
        well = well && json_is_true(json_object_get(broker, "connected"));
    if (json_is_object(letters))
        well = well && json_integer_value(json_object_get(letters, "ways_down")) == 0 &&
               json_integer_value(json_object_get(letters, "ways_refused")) == 0;
    return well && (json_is_true(json_object_get(page, "served")) ||
                    !json_is_true(json_object_get(page, "wanted")));
}
