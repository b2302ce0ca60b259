/* foretrip loads: what hangs on a circuit, as the daemon has learned it. */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "analysis/engine.h"
#include "analysis/loads.h"
#include "base/clock.h"
#include "store/reader.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static bool load_kept(struct engine *e, const char *database)
{
    struct store_reader *r = store_reader_open(database);
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    if (!r) {
        fprintf(stderr, "foretrip: %s: there is no record that can be read\n", database);
        return false;
    }
    bool good = store_read_state(r, "learned", &bytes, &length, &wall_ms) == STORE_OK &&
                bytes && engine_load(e, bytes, length);
    if (!good)
        fprintf(stderr, "foretrip: %s: holds nothing that the gateway has learned\n", database);
    free(bytes);
    store_reader_close(r);
    return good;
}

/* when most of its runs begin: the fullest three hours that follow each other */
static int usual_hour(const struct loads_known *k)
{
    int best = 0;
    double most = 0;
    for (int h = 0; h < 24; h++) {
        double sum = k->hours[h] + k->hours[(h + 1) % 24] + k->hours[(h + 2) % 24];
        if (sum > most)
            most = sum, best = h;
    }
    return best;
}

static json_t *as_json(const struct site *s, size_t circuit, const struct loads_known *k)
{
    char last[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(k->last_wall_ms, last);
    return json_pack("{s:s, s:i, s:s, s:s, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:i, s:s}",
                     "circuit", s->circuits[circuit].id, "load", (int)k->id, "appliance",
                     k->appliance, "name", k->name, "probability", k->probability, "amps",
                     k->amps, "watts", k->watts, "seconds", k->seconds, "runs", k->runs,
                     "per_day", k->per_day, "share", k->share, "usual_hour", usual_hour(k),
                     "last_seen", last);
}

static void print_circuit(const struct site *s, struct engine *e, size_t i, json_t *list)
{
    struct loads_known known[LOADS_MAX_KNOWN];
    size_t n = loads_known(engine_loads(e), (int)i, known);
    char text[256], last[CLOCK_RFC3339_SIZE];
    if (!list && n)
        printf("%s\n", site_describe_circuit(s, (int)i, text, sizeof text));
    for (size_t k = 0; k < n; k++) {
        const struct loads_known *l = &known[k];
        if (list) {
            json_array_append_new(list, as_json(s, i, l));
            continue;
        }
        clock_format_rfc3339(l->last_wall_ms, last);
        printf("  %s/%-3u %-24s %3.0f %%  %6.2f A %7.0f s  %6.1f a day, mostly from %02d:00, "
               "%3.0f %% "
               "of the energy, last %.16sZ\n",
               s->circuits[i].id, (unsigned)l->id, l->name[0] ? l->name : l->appliance,
               100 * l->probability, l->amps, l->seconds, l->per_day, usual_hour(l),
               100 * l->share, last);
    }
}

static enum exit_code print_all(const struct config *c, const char *database,
                                const char *circuit, bool json)
{
    int only = circuit ? site_find_circuit(&c->site, circuit) : -1;
    if (circuit && only < 0) {
        fprintf(stderr, "foretrip: site.cfg has no circuit \"%s\"\n", circuit);
        return EXIT_BAD;
    }
    struct engine *e = engine_create(&c->site, &c->rules, &c->signatures, ignore, NULL);
    if (!e || !load_kept(e, database)) {
        engine_destroy(e);
        return EXIT_BAD;
    }
    json_t *list = json ? json_array() : NULL;
    for (size_t i = 0; i < c->site.circuit_count; i++)
        if (only < 0 || (size_t)only == i)
            print_circuit(&c->site, e, i, list);
    if (list) {
        json_dumpf(list, stdout, JSON_INDENT(1));
        putchar('\n');
        json_decref(list);
    }
    engine_destroy(e);
    return fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
}

enum exit_code verb_loads(int argc, char **argv)
{
    const char *directory = NULL, *database = NULL, *circuit = NULL;
    bool json = false;
    const struct option_row rows[] = {{.name = "config", .value = &directory, .needed = true},
                                      {.name = "database", .value = &database, .needed = true},
                                      {.name = "json", .flag = &json}};
    if (argc > 1 && argv[1][0] != '-') {
        circuit = argv[1];
        argv[1] = argv[0];
        argc--;
        argv++;
    }
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    struct config c;
    if (!open_config(&c, directory))
        return EXIT_BAD;
    enum exit_code code = print_all(&c, database, circuit, json);
    config_free(&c);
    return code;
}
