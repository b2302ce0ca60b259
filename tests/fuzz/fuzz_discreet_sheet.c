/* A unit's sheet as a gateway, or somebody in its place, may give it: what a manager is shown
 * of it is JSON, says that it is discreet, and has no load in it. */
#include "fleet/discreet_sheet.h"

#include <jansson.h>

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

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

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const lists[] = {"circuits", "alarms", "trips", "trip", "events"};
    char *less = discreet_sheet((const char *)data, size);
    if (!less)
        return 0;
    json_t *o = json_loads(less, 0, NULL);
    if (!json_is_object(o) || !json_is_true(json_object_get(o, "discreet")))
        abort();
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        check_discreet(json_object_get(o, lists[i]), 1);
    json_decref(o);
    free(less);
    return 0;
}
