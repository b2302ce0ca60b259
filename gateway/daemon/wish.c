#include "wish.h"

#include "base/log.h"
#include "base/text.h"
#include "store/wishes.h"

#include <string.h>

struct taking {
    struct engine *engine;
    struct wish_done *done;
};

static bool take(void *context, const char *key, const char *value, int64_t wall_ms)
{
    struct taking *t = context;
    struct wish_done *d = t->done;
    const char *load = key + strlen(WISH_NAME);
    if (!text_copy(d->taken[d->count].key, sizeof d->taken[0].key, key))
        return true; /* nobody of ours writes so long a key */
    d->taken[d->count++].wall_ms = wall_ms;
    if (strncmp(key, WISH_NAME, strlen(WISH_NAME)) != 0)
        log_warning("loads", "%s: there is no such wish", key);
    else if (!loads_name_published(engine_loads(t->engine), load, value))
        log_warning("loads", "%s could not be named: it is not known any more", load);
    else
        log_info("loads", "%s is called \"%s\" from now on", load, value);
    return d->count < WISH_MOST;
}

void wish_take(struct store_reader *r, struct engine *e, struct wish_done *out)
{
    struct taking t = {e, out};
    out->count = 0;
    store_read_wishes(r, take, &t); /* a record that cannot be read is said by its writer */
}

void wish_drop(const char *database, const struct wish_done *done)
{
    for (size_t i = 0; i < done->count; i++)
        wishes_drop(database, done->taken[i].key, done->taken[i].wall_ms);
}
