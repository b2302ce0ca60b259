/* foretrip loads: what hangs on a circuit, as the daemon has learned it. */
#include "find.h"
#include "kept.h"
#include "verbs.h"

#include "analysis/engine_json.h"
#include "base/clock.h"

#include <stdio.h>
#include <string.h>

static void print_load(const struct site *s, size_t circuit, const struct loads_known *l)
{
    char last[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(l->last_wall_ms, last);
    printf("  %s/%-3u %-24s %3.0f %%  %6.2f A %7.0f s  %6.1f a day, mostly from %02d:00, "
           "%3.0f %% of the energy, %s %.16sZ\n",
           s->circuits[circuit].id, (unsigned)l->id, l->name[0] ? l->name : l->appliance,
           100 * l->probability, l->amps, l->seconds, l->per_day, kept_usual_hour(l),
           100 * l->share, l->running ? "running since" : "last", last);
    if (l->moved_from >= 0)
        printf("  %*s was on %s before\n", (int)strlen(s->circuits[circuit].id) + 4, "",
               s->circuits[l->moved_from].id);
}

/* The same, beside each load of the circuit. */
static json_t *with_whole(json_t *load, const struct loads_whole *w)
{
    json_object_set_new(load, "circuit_is", engine_whole_json(w));
    return load;
}

/* What the circuit is, taken whole. */
static void print_whole(const struct loads_whole *w)
{
    if (!w->judged)
        printf(
            "  taken whole: not judged before it has been watched for most of a day (%.1f h so "
            "far)\n",
            24 * w->days);
    else if (w->several)
        printf("  taken whole: several appliances, %.0f %%\n", 100 * w->probability);
    else if (w->likely[0])
        printf("  taken whole: not known; if it is one appliance, most like %s, %.0f %%\n",
               w->likely, 100 * w->probability);
    else
        printf("  taken whole: one appliance, %s, %.0f %%\n", w->appliance,
               100 * w->probability);
}

static enum exit_code print_all(const struct record *r, int only, bool json)
{
    const struct site *s = &r->config.site;
    struct engine *e = kept_engine(r, "loads");
    json_t *list = json ? json_array() : NULL;
    if (!e)
        return EXIT_BAD;
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct loads_known known[LOADS_MAX_KNOWN];
        char text[256];
        if (only >= 0 && (size_t)only != i)
            continue;
        size_t n = loads_known(engine_loads(e), (int)i, known);
        struct loads_whole whole;
        loads_whole(engine_loads(e), (int)i, &whole);
        if (!json && (n || whole.judged)) {
            printf("%s\n", site_describe_circuit(s, (int)i, text, sizeof text));
            print_whole(&whole);
        }
        for (size_t k = 0; k < n; k++)
            if (json)
                json_array_append_new(list, with_whole(kept_json(s, i, &known[k]), &whole));
            else
                print_load(s, i, &known[k]);
    }
    engine_destroy(e);
    if (json)
        return kept_print_json(list);
    return fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
}

enum exit_code verb_loads(int argc, char **argv)
{
    struct record_options o = {0};
    const char *circuit = NULL;
    bool json = false;
    const struct option_row rows[] = {
        {.name = "config", .value = &o.config, .needed = true},
        {.name = "database", .value = &o.database},
        {.name = "json", .flag = &json},
    };
    if (argc > 1 && argv[1][0] != '-') {
        circuit = argv[1];
        argv[1] = argv[0];
        argc--;
        argv++;
    }
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    struct record r;
    enum exit_code code = record_open(&r, "loads", &o);
    if (code != EXIT_GOOD)
        return code;
    int only = circuit ? find_circuit(&r.config.site, "loads", circuit) : -1;
    code = circuit && only < 0 ? EXIT_BAD : print_all(&r, only, json);
    record_close(&r);
    return code;
}
