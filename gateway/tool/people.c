/* foretrip people: who may log in to the page, and codes for them, left in the record for the
 * gateway to take. */
#include "record.h"

#include "base/clock.h"
#include "store/wishes.h"
#include "web/access.h"

#include <pwd.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MOST_VISIT_TEXT "14d"

struct asked {
    struct record_options record;
    const char *lasts; /* --for */
    bool json;
};

static const char *own_name(void)
{
    const struct passwd *p = getpwuid(getuid());
    return p ? p->pw_name : "somebody at the gateway";
}

static void say_time(int64_t wall_ms, char out[CLOCK_RFC3339_SIZE])
{
    clock_format_rfc3339(wall_ms / 1000 * 1000, out);
}

/* ---- a wish with a code in it ---- */

static enum exit_code wish_code(const struct record *r, const char *key, const char *name,
                                int64_t until_wall_ms, const char *sentence)
{
    char code[CODE_SIZE], hex[2 * CODE_HASH_BYTES + 1], until[CLOCK_RFC3339_SIZE];
    uint8_t hash[CODE_HASH_BYTES];
    struct text value = TEXT_INIT;
    code_make(code);
    code_hash(code, hash);
    sodium_bin2hex(hex, sizeof hex, hash, sizeof hash);
    text_printf(&value, "%s\t%s\t%lld\t%s", own_name(), hex, (long long)until_wall_ms, name);
    enum store_err err = value.failed
                             ? STORE_ERR_MEMORY
                             : wishes_add(r->path, key, text_get(&value), clock_wall_ms());
    text_free(&value);
    if (!record_ok(r, "people", err))
        return EXIT_BAD;
    say_time(until_wall_ms, until);
    printf("%s\n", code);
    fprintf(stderr, sentence, name);
    fprintf(stderr, " It is good until %s, and is shown this once.\n", until);
    return EXIT_GOOD;
}

static enum exit_code invite(const struct record *r, const char *person)
{
    char key[sizeof WISH_INVITE + SITE_ID_SIZE];
    int i = delivery_find_person(&r->config.delivery, person);
    if (i < 0) {
        fprintf(stderr, "foretrip people: delivery.cfg has no person '%s'\n", person);
        return EXIT_BAD;
    }
    snprintf(key, sizeof key, "%s%s", WISH_INVITE, person);
    return wish_code(r, key, r->config.delivery.people[i].name,
                     clock_wall_ms() + ACCESS_INVITE_MS,
                     "With this code %s chooses a password at the page.");
}

static enum exit_code visit(const struct record *r, const char *name, const char *lasts)
{
    char key[sizeof WISH_VISIT + ACCESS_VISIT_ID_SIZE], id[ACCESS_VISIT_ID_SIZE];
    int64_t ms = lasts ? record_duration(lasts) : 0;
    if (ms < 900000 || ms > ACCESS_MOST_VISIT_MS) {
        fputs("foretrip people: --for is from 15m to " MOST_VISIT_TEXT
              ", as in --for 8h: a visit ends\n",
              stderr);
        return EXIT_USAGE;
    }
    if (!name[0] || strlen(name) >= SITE_NAME_SIZE || strpbrk(name, "\t\n")) {
        fprintf(stderr, "foretrip people: the visitor's name is 1 to %d bytes of plain text\n",
                SITE_NAME_SIZE - 1);
        return EXIT_USAGE;
    }
    access_visit_id(id);
    snprintf(key, sizeof key, "%s%s", WISH_VISIT, id);
    return wish_code(r, key, name, clock_wall_ms() + ms,
                     "With this code %s comes in as an electrician.");
}

static enum exit_code end(const struct record *r, const char *id)
{
    char key[sizeof WISH_END + SITE_ID_SIZE];
    if (!site_id_valid(id)) {
        fprintf(stderr, "foretrip people: \"%s\" is no id of a person or a visit\n", id);
        return EXIT_USAGE;
    }
    snprintf(key, sizeof key, "%s%s", WISH_END, id);
    if (!record_ok(r, "people", wishes_add(r->path, key, own_name(), clock_wall_ms())))
        return EXIT_BAD;
    printf("the gateway ends every session and code of %s\n", id);
    return EXIT_GOOD;
}

/* ---- who there is ---- */

static void print_list(const json_t *o)
{
    size_t i;
    const json_t *p;
    printf("%-16s %-24s %-14s %-9s %-9s %s\n", "PERSON", "NAME", "ROLE", "PASSWORD", "SESSIONS",
           "SEEN");
    json_array_foreach(json_object_get(o, "people"), i, p)
    {
        const char *code = json_string_value(json_object_get(p, "code_until"));
        const char *seen = json_string_value(json_object_get(p, "seen_at"));
        printf("%-16s %-24s %-14s %-9s %-9lld %s\n",
               json_string_value(json_object_get(p, "person")),
               json_string_value(json_object_get(p, "name")),
               json_string_value(json_object_get(p, "role")),
               json_is_true(json_object_get(p, "password")) ? "yes"
               : code                                       ? "code"
                                                            : "no",
               (long long)json_integer_value(json_object_get(p, "sessions")),
               seen ? seen : "-");
    }
    json_array_foreach(json_object_get(o, "visits"), i, p)
    {
        printf("%-16s %-24s %-14s until %s\n", json_string_value(json_object_get(p, "visit")),
               json_string_value(json_object_get(p, "name")), "visit",
               json_string_value(json_object_get(p, "until")));
    }
}

static enum exit_code list(const struct record *r, bool json)
{
    struct access *a = access_create(&r->config.delivery);
    uint8_t *bytes = NULL;
    size_t length;
    int64_t wall_ms;
    enum store_err err = store_read_state(r->reader, "access", &bytes, &length, &wall_ms);
    enum exit_code code = EXIT_BAD;
    if (a && record_ok(r, "people", err)) {
        code = EXIT_GOOD;
        if (bytes && !access_load(a, &(struct codec_in){.at = bytes, .end = bytes + length})) {
            fputs("foretrip people: what is kept of them is damaged\n", stderr);
            code = EXIT_BAD;
        }
        json_t *o = access_json(a, clock_wall_ms());
        if (json)
            json_dumpf(o, stdout, JSON_COMPACT);
        else
            print_list(o);
        if (json)
            putchar('\n');
        else if (r->config.delivery.person_count == 0)
            puts("delivery.cfg has no people");
        json_decref(o);
    }
    free(bytes);
    access_destroy(a);
    return code;
}

enum exit_code verb_people(int argc, char **argv)
{
    struct asked a = {0};
    const char *verb = "list", *about = NULL;
    const struct option_row rows[] = {
        {.name = "config", .value = &a.record.config, .needed = true},
        {.name = "database", .value = &a.record.database},
        {.name = "for", .value = &a.lasts},
        {.name = "json", .flag = &a.json},
    };
    if (argc > 1 && argv[1][0] != '-') {
        verb = argv[1];
        bool known = strcmp(verb, "invite") == 0 || strcmp(verb, "visit") == 0 ||
                     strcmp(verb, "end") == 0;
        if (!known || argc < 3 || strncmp(argv[2], "--", 2) == 0) {
            fputs("foretrip people: invite PERSON, visit NAME or end ID (foretrip help "
                  "people)\n",
                  stderr);
            return EXIT_USAGE;
        }
        about = argv[2];
        argv[2] = argv[0];
        argv += 2;
        argc -= 2;
    }
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    struct record r;
    enum exit_code code = record_open(&r, "people", &a.record);
    if (code != EXIT_GOOD)
        return code;
    if (sodium_init() < 0)
        code = EXIT_BAD;
    else if (!about)
        code = list(&r, a.json);
    else if (strcmp(verb, "invite") == 0)
        code = invite(&r, about);
    else if (strcmp(verb, "visit") == 0)
        code = visit(&r, about, a.lasts);
    else
        code = end(&r, about);
    record_close(&r);
    return code;
}
