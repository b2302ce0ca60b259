/* What a gateway, or somebody in its place, answers a centre that asked: no crash; a sentence
 * where it is no answer; a sheet's text upsets no terminal, and a manager is told of no load.
 *
 * Input: the topic up to a line end, then the payload. */
#include "fleet/ask.h"
#include "fleet/discreet_sheet.h"
#include "fleet/sheet_text.h"

#include <jansson.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check_printable(const char *s, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (((unsigned char)s[i] < 0x20 && s[i] != '\n') || s[i] == 0x7f)
            abort();
}

static void check_topic(const uint8_t *data, size_t size)
{
    char site[SITE_ID_SIZE], *topic = strndup((const char *)data, size);
    if (!topic || (ask_read_topic(topic, "centre", site) && !site_id_valid(site)))
        abort();
    free(topic);
}

static void check_answer(const uint8_t *data, size_t size)
{
    char id[ASK_ID_SIZE], why[ASK_WHY_SIZE];
    enum ask_err err = ask_read_answer(data, size, id, why);
    if (!memchr(id, '\0', sizeof id) || !memchr(why, '\0', sizeof why) ||
        (err == ASK_OK) != (why[0] == '\0'))
        abort();
    check_printable(why, strlen(why));
}

/* the loads that a trip's sheet is rid of, wherever they lie */
static void check_discreet(const json_t *o, int depth)
{
    const char *key;
    const json_t *v;
    size_t i;
    if (depth > 8) /* deeper than anything that a gateway says */
        return;
    json_array_foreach(o, i, v) check_discreet(v, depth + 1);
    json_object_foreach((json_t *)o, key, v)
    {
        if (depth > 0 && strcmp(key, "loads") == 0 && json_array_size(v) > 0)
            abort();
        check_discreet(v, depth + 1);
    }
}

static void check_sheet(const uint8_t *data, size_t size)
{
    struct text out = TEXT_INIT;
    if (sheet_text((const char *)data, size, &out))
        check_printable(text_get(&out), out.length);
    else if (out.length > 0)
        abort();
    text_free(&out);
    char *less = discreet_sheet((const char *)data, size);
    if (!less)
        return;
    json_t *o = json_loads(less, 0, NULL);
    if (!json_is_object(o) || !json_is_true(json_object_get(o, "discreet")))
        abort();
    const char *const lists[] = {"circuits", "alarms", "trips", "trip", "events"};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        check_discreet(json_object_get(o, lists[i]), 1);
    json_decref(o);
    free(less);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t *end = size ? memchr(data, '\n', size) : NULL;
    size_t n = end ? (size_t)(end - data) : size;
    check_topic(data, n);
    n += end != NULL;
    check_answer(data + n, size - n);
    check_sheet(data + n, size - n);
    return 0;
}
