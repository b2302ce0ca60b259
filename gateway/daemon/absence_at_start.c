#include "absence_at_start.h"

#include "analysis/absence.h"
#include "base/clock.h"
#include "base/log.h"

#include <stdlib.h>

static int64_t kept_at(struct store_reader *r, const char *key)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms = 0;
    bool there = store_read_state(r, key, &bytes, &length, &wall_ms) == STORE_OK && bytes;
    free(bytes);
    return there ? wall_ms : 0;
}

static void mark(struct store *s, const char *key, int64_t wall_ms)
{
    store_add_state(s, key, (const uint8_t *)"1", 1, wall_ms);
}

bool absence_at_start(struct store_reader *r, struct store *s, int64_t wall_ms,
                      struct event *out)
{
    static const char *const kept[] = {"began", "running", "learned"};
    struct absence_facts f = {.ended_wall_ms = kept_at(r, "ended"),
                              .host_wall_ms = wall_ms - clock_mono_ms(),
                              .started_wall_ms = wall_ms};
    for (size_t k = 0; k < sizeof kept / sizeof kept[0]; k++) {
        int64_t at = kept_at(r, kept[k]);
        f.seen_wall_ms = at > f.seen_wall_ms ? at : f.seen_wall_ms;
    }
    mark(s, "began", wall_ms);
    *out =
        (struct event){.type = EVENT_ABSENCE, .wall_ms = wall_ms, .panel = -1, .circuit = -1};
    if (!absence_judge(&f, &out->absence))
        return false;
    log_info("gateway", "away for %.0f s at the most: %s (%.0f %%)", out->absence.seconds,
             absence_cause_name(out->absence.cause), 100.0 * out->absence.probability);
    return true;
}

void absence_ended(struct store *s, int64_t wall_ms)
{
    mark(s, "ended", wall_ms);
}
