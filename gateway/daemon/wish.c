#include "wish.h"

#include "answer.h"
#include "directory_change.h"

#include "base/log.h"
#include "base/text.h"
#include "store/wishes.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

struct taking {
    struct store_reader *reader;
    struct engine *engine;
    const struct site *site;
    struct web *web;
    struct store *store;
    int64_t wall_ms;
    struct wish_done *done;
    char *directory_value; /* of the wish at directory_at; NULL: none */
    size_t directory_at;
};

static bool begins(const char *key, const char *with)
{
    return strncmp(key, with, strlen(with)) == 0;
}

/* ---- names ---- */

static void name_load(const struct taking *t, const char *load, const char *name)
{
    if (!loads_name_published(engine_loads(t->engine), load, name))
        log_warning("loads", "%s could not be named: it is not known any more", load);
    else
        log_info("loads", "%s is called \"%s\" from now on", load, name);
}

/* ---- who may log in ---- */

#define PARTS 4
enum { PART_BY, PART_HASH, PART_UNTIL, PART_NAME };

/* the value's parts; those that are not there are "" */
static void part(char *value, char *parts[PARTS])
{
    char *end = value + strlen(value);
    for (int i = 0; i < PARTS; i++) {
        char *found = strsep(&value, "\t");
        parts[i] = found ? found : end;
    }
}

static bool let_in(const struct taking *t, const char *key, char *const parts[PARTS],
                   struct store_audit *said)
{
    struct access *a = web_access(t->web);
    uint8_t hash[CODE_HASH_BYTES];
    size_t n = 0;
    const char *id = strrchr(key, ':') + 1;
    said->subject = id;
    if (begins(key, WISH_END)) {
        said->act = "end_sessions";
        return access_end_all(a, id);
    }
    int64_t until_wall_ms = strtoll(parts[PART_UNTIL], NULL, 10);
    if (sodium_hex2bin(hash, sizeof hash, parts[PART_HASH], strlen(parts[PART_HASH]), NULL, &n,
                       NULL) != 0 ||
        n != sizeof hash || until_wall_ms <= t->wall_ms)
        return false;
    if (begins(key, WISH_INVITE)) {
        said->act = "invite";
        return access_invite(a, id, hash, until_wall_ms);
    }
    said->act = "visit";
    said->subject = parts[PART_NAME];
    return access_add_visit(a, id, parts[PART_NAME], parts[PART_BY], hash, t->wall_ms,
                            until_wall_ms);
}

static void take_people(const struct taking *t, const char *key, const char *value)
{
    char copy[512], *parts[PARTS];
    struct store_audit said = {.wall_ms = t->wall_ms, .way = "gateway", .act = "people"};
    text_copy(copy, sizeof copy, value);
    part(copy, parts);
    said.who = parts[PART_BY];
    if (!t->web || !web_access(t->web)) {
        log_warning("page", "%s: nobody logs in to the page here", key);
        return;
    }
    if (!let_in(t, key, parts, &said))
        said.result = "refused";
    store_add_audit(t->store, &said);
    log_info("page", "%s of %s, wished by %s at the gateway%s%s", said.act, said.subject,
             said.who, said.result ? ": " : "", said.result ? said.result : "");
}

/* "wish:call:call-answer.1234" */
static void service_call(const struct taking *t, const char *key, const char *value)
{
    char verb[32];
    text_copy(verb, sizeof verb, key + strlen(WISH_CALL));
    verb[strcspn(verb, ".")] = '\0';
    answer_wish(t->engine, t->store, t->reader, t->wall_ms, verb, value);
}

/* ---- the panel directory ---- */

static void change_directory(const struct taking *t, const char *key, const char *value)
{
    char why[DIRECTORY_CHANGE_WHY_SIZE];
    json_t *wish = json_loads(value, JSON_REJECT_DUPLICATES, NULL);
    const char *by = json_string_value(json_object_get(wish, "by"));
    struct store_audit said = {.wall_ms = t->wall_ms,
                               .who = by ? by : "gateway",
                               .way = "gateway",
                               .act = "directory",
                               .subject = key + strlen(WISH_DIRECTORY)};
    said.result =
        wish ? directory_change(t->store, t->reader, t->site, wish, t->wall_ms, said.who, why)
             : "it is no JSON";
    store_add_audit(t->store, &said);
    if (said.result)
        log_warning("directory", "what %s wished was refused: %s", said.who, said.result);
    json_decref(wish);
}

static bool take(void *context, const char *key, const char *value, int64_t wall_ms)
{
    struct taking *t = context;
    struct wish_done *d = t->done;
    if (begins(key, WISH_DIRECTORY)) { /* needs the reader, which is at work; one at a time */
        if (t->directory_value)
            return true;
        t->directory_value = strdup(value);
    }
    if (!text_copy(d->taken[d->count].key, sizeof d->taken[0].key, key))
        return true; /* nobody of ours writes so long a key */
    t->directory_at = begins(key, WISH_DIRECTORY) ? d->count : t->directory_at;
    d->taken[d->count++].wall_ms = wall_ms;
    if (begins(key, WISH_NAME))
        name_load(t, key + strlen(WISH_NAME), value);
    else if (begins(key, WISH_CALL))
        service_call(t, key, value);
    else if (begins(key, WISH_INVITE) || begins(key, WISH_VISIT) || begins(key, WISH_END))
        take_people(t, key, value);
    else if (!begins(key, WISH_DIRECTORY))
        log_warning("loads", "%s: there is no such wish", key);
    return d->count < WISH_MOST;
}

void wish_take(struct store_reader *r, struct engine *e, const struct site *site,
               struct web *web, struct store *store, int64_t wall_ms, struct wish_done *out)
{
    struct taking t = {.reader = r,
                       .engine = e,
                       .site = site,
                       .web = web,
                       .store = store,
                       .wall_ms = wall_ms,
                       .done = out};
    out->count = 0;
    store_read_wishes(r, take, &t); /* a record that cannot be read is said by its writer */
    if (t.directory_value)
        change_directory(&t, out->taken[t.directory_at].key, t.directory_value);
    free(t.directory_value);
}

void wish_drop(const char *database, const struct wish_done *done)
{
    for (size_t i = 0; i < done->count; i++)
        wishes_drop(database, done->taken[i].key, done->taken[i].wall_ms);
}
