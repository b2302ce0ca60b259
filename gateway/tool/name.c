/* foretrip name: a person's name for a load, left in the record for the gateway to take. */
#include "kept.h"
#include "verbs.h"

#include "base/clock.h"
#include "store/wishes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The load as it is known now; false when there is none of that number. */
static bool find(const struct site *s, struct engine *e, const char *load, size_t *circuit,
                 struct loads_known *out)
{
    struct loads_known known[LOADS_MAX_KNOWN];
    char text[SITE_ID_SIZE + 16];
    for (size_t i = 0; i < s->circuit_count; i++) {
        size_t n = loads_known(engine_loads(e), (int)i, known);
        for (size_t k = 0; k < n; k++) {
            snprintf(text, sizeof text, "%s/%u", s->circuits[i].id, (unsigned)known[k].id);
            if (strcmp(text, load) == 0) {
                *circuit = i;
                *out = known[k];
                return true;
            }
        }
    }
    return false;
}

static enum exit_code name(const struct record *r, const char *load, const char *name,
                           bool json)
{
    const struct site *s = &r->config.site;
    struct engine *e = kept_engine(r, "name");
    struct loads_known k;
    size_t circuit;
    char key[sizeof WISH_NAME + SITE_ID_SIZE + 16];
    enum exit_code code = EXIT_BAD;
    if (!e)
        return EXIT_BAD;
    if (!find(s, e, load, &circuit, &k)) {
        fprintf(stderr, "foretrip name: there is no load %s; foretrip loads prints them\n",
                load);
    } else if (!loads_name_published(engine_loads(e), load, name)) {
        fprintf(stderr, "foretrip name: \"%s\" is no name: at most %d bytes of plain text\n",
                name, EVENT_APPLIANCE_SIZE - 1);
    } else {
        find(s, e, load, &circuit, &k);
        snprintf(key, sizeof key, "%s%s", WISH_NAME, load);
        if (record_ok(r, "name", wishes_add(r->path, key, name, clock_wall_ms())))
            code = EXIT_GOOD;
    }
    if (code == EXIT_GOOD && json)
        code = kept_print_json(kept_json(s, circuit, &k));
    else if (code == EXIT_GOOD)
        printf(name[0] ? "%s (%.2f A, %.1f a day) is now called %s\n"
                       : "%s (%.2f A, %.1f a day) has no name any more%s\n",
               load, k.amps, k.per_day, name);
    engine_destroy(e);
    return code;
}

enum exit_code verb_name(int argc, char **argv)
{
    struct record_options o = {0};
    bool json = false;
    const struct option_row rows[] = {
        {.name = "config", .value = &o.config, .needed = true},
        {.name = "database", .value = &o.database},
        {.name = "json", .flag = &json},
    };
    if (argc < 3 || argv[1][0] == '-' || strncmp(argv[2], "--", 2) == 0) {
        fputs("foretrip name: LOAD NAME is missing, as in: foretrip name main-07/3 Kettle\n",
              stderr);
        return EXIT_USAGE;
    }
    const char *load = argv[1], *given = argv[2];
    argv[2] = argv[0];
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc - 2, argv + 2))
        return EXIT_USAGE;
    struct record r;
    enum exit_code code = record_open(&r, "name", &o);
    if (code != EXIT_GOOD)
        return code;
    code = name(&r, load, given, json);
    record_close(&r);
    return code;
}
