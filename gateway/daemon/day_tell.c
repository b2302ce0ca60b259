#include "day_tell.h"

#include "base/log.h"
#include "store/site_day.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define KEY "site_day" /* the last date told, in the record */

static bool read_told(struct day_tell *d, struct store_reader *r)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t kept_ms;
    char digits[24] = "";
    if (store_read_state(r, KEY, &bytes, &length, &kept_ms) != STORE_OK)
        return false;
    if (bytes && length < sizeof digits)
        memcpy(digits, bytes, length);
    free(bytes);
    d->told_day = strtoll(digits, NULL, 10);
    return true;
}

static void keep_told(struct day_tell *d, struct store *store, int64_t day, int64_t wall_ms)
{
    char digits[24];
    d->told_day = day;
    snprintf(digits, sizeof digits, "%" PRId64, day);
    store_add_state(store, KEY, (const uint8_t *)digits, strlen(digits), wall_ms);
}

bool day_tell(struct day_tell *d, const struct site *s, struct store *store,
              struct store_reader *r, int64_t wall_ms, int64_t mono_ms, struct event *out)
{
    if (d->looked_mono_ms != 0 && mono_ms - d->looked_mono_ms < DAY_TELL_LOOK_MS)
        return false;
    d->looked_mono_ms = mono_ms;
    if (d->told_day == 0 && !read_told(d, r))
        return false;
    int64_t day = site_day_of(s, wall_ms - DAY_TELL_AFTER_MS) - 1;
    bool first = d->told_day == 0; /* a record that has just begun has no day behind it */
    if (!first && day <= d->told_day)
        return false;
    *out =
        (struct event){.type = EVENT_SITE_DAY, .wall_ms = wall_ms, .panel = -1, .circuit = -1};
    enum store_err err =
        first ? STORE_OK : site_day_before(s, r, wall_ms - DAY_TELL_AFTER_MS, &out->site_day);
    if (err != STORE_OK) {
        log_warning("gateway", "the day cannot be told yet: %s", store_strerror(err));
        return false;
    }
    keep_told(d, store, day, wall_ms);
    return !first;
}
