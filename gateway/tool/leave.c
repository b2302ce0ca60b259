#include "leave.h"

#include "kept.h"

#include "analysis/directory_csv.h"
#include "analysis/directory_json.h"
#include "analysis/engine_json.h"
#include "base/clock.h"
#include "store/store_directory.h"
#include "store/wishes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define WAIT_MS 6000

struct looking {
    const char *subject;
    bool waits, refused;
    char why[256];
};

static bool see_wish(void *context, const char *key, const char *value, int64_t wall_ms)
{
    struct looking *l = context;
    (void)value;
    (void)wall_ms;
    l->waits |= strcmp(key + strlen(WISH_DIRECTORY), l->subject) == 0 &&
                strncmp(key, WISH_DIRECTORY, strlen(WISH_DIRECTORY)) == 0;
    return true;
}

static bool see_audit(void *context, const struct store_audit_row *row)
{
    struct looking *l = context;
    if (strcmp(row->said.subject, l->subject) != 0)
        return true;
    l->refused = row->said.result[0] != '\0';
    snprintf(l->why, sizeof l->why, "%s", row->said.result);
    return false;
}

enum exit_code leave_directory_wish(const struct record *r, const char *verb, json_t *wish,
                                    const char *by)
{
    char key[96], subject[48];
    const char *login = getenv("USER");
    json_object_set_new(wish, "by",
                        json_string(by                  ? by
                                    : login && login[0] ? login
                                                        : "gateway"));
    char *value = json_dumps(wish, JSON_COMPACT);
    int64_t now = clock_wall_ms(), end = clock_mono_ms() + WAIT_MS;
    json_decref(wish);
    snprintf(subject, sizeof subject, "%lld-%d", (long long)now, (int)getpid());
    snprintf(key, sizeof key, "%s%s", WISH_DIRECTORY, subject);
    bool good = value && record_ok(r, verb, wishes_add(r->path, key, value, now));
    free(value);
    if (!good)
        return EXIT_BAD;
    struct looking l = {.subject = subject, .waits = true};
    while (l.waits && clock_mono_ms() < end) {
        usleep(200000);
        l.waits = false;
        if (!record_ok(r, verb, store_read_wishes(r->reader, see_wish, &l)))
            return EXIT_BAD;
    }
    if (l.waits) {
        fprintf(stderr, "foretrip %s: no gateway has taken it yet; it waits in the record\n",
                verb);
        return EXIT_GOOD;
    }
    store_read_audit(r->reader, 0, 50, see_audit, &l);
    if (l.refused)
        fprintf(stderr, "foretrip %s: the gateway refused it: %s\n", verb, l.why);
    return l.refused ? EXIT_BAD : EXIT_GOOD;
}

static bool take_loads(const struct site *s, struct engine *e, struct directory_load **loads,
                       size_t *count)
{
    struct loads_known known[LOADS_MAX_KNOWN];
    bool good = true;
    for (size_t i = 0; good && i < s->circuit_count; i++) {
        size_t n = loads_known(engine_loads(e), (int)i, known);
        json_t *list = engine_known_json(known, n);
        good = list && directory_add_loads(list, (int)i, loads, count);
        json_decref(list);
    }
    return good;
}

json_t *leave_read_directory(const struct record *r, const char *verb, int panel,
                             struct text *csv)
{
    const struct site *s = &r->config.site;
    struct directory_record record = {0};
    struct directory d = {0};
    struct directory_load *loads = NULL;
    size_t count = 0;
    json_t *o = NULL;
    struct engine *e = kept_learned(r, verb);
    if (record_ok(r, verb, store_read_directory(r->reader, &record)) &&
        (!e || take_loads(s, e, &loads, &count)) &&
        directory_build(s, &record, loads, count, &d)) {
        o = directory_json(&d, loads, count, panel, false);
        if (csv)
            directory_write_csv(&d, csv);
    }
    directory_free(&d);
    directory_record_free(&record);
    free(loads);
    engine_destroy(e);
    return o;
}
