/* foretrip status: how the running gateway is, from the file that it keeps up (foretripd
 * --status). */
#include "running.h"
#include "verbs.h"

#include "kept.h"
#include "options.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

static int64_t number(const json_t *o, const char *member)
{
    return json_integer_value(json_object_get(o, member));
}

static const char *word(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

static bool is_true(const json_t *o, const char *member)
{
    return json_is_true(json_object_get(o, member));
}

static void print_meters(const json_t *meters)
{
    size_t i, ok = 0;
    json_t *m;
    json_array_foreach(meters, i, m) ok += strcmp(word(m, "state"), "ok") == 0;
    printf("meters   %zu of %zu answer\n", ok, json_array_size(meters));
    json_array_foreach(meters, i, m)
    {
        if (strcmp(word(m, "state"), "ok") == 0)
            continue;
        const char *fault = word(m, "fault");
        printf("         %s: %s%s%s\n", word(m, "id"), word(m, "state"), fault[0] ? ", " : "",
               fault);
    }
}

static void print_buses(const json_t *buses)
{
    size_t i;
    json_t *b;
    json_array_foreach(buses, i, b)
    {
        int64_t reads = number(b, "reads");
        printf("bus      %s: %" PRId64 " reads, %.2f %% answered, %" PRId64 " periods missed\n",
               word(b, "id"), reads,
               reads ? 100.0 * (double)number(b, "answers") / (double)reads : 0.0,
               number(b, "missed"));
    }
}

static void print_rest(const json_t *o)
{
    const json_t *record = json_object_get(o, "record"), *broker = json_object_get(o, "broker"),
                 *letters = json_object_get(o, "letters"), *page = json_object_get(o, "page");
    printf("record   %s, %.1f MiB in %s\n", is_true(record, "ok") ? "ok" : word(record, "why"),
           (double)number(record, "bytes") / (1024.0 * 1024.0), word(record, "path"));
    if (json_is_object(broker))
        printf("broker   %s:%" PRId64 ", %s, %" PRId64 " messages wait\n", word(broker, "host"),
               number(broker, "port"),
               is_true(broker, "connected") ? "connected" : word(broker, "why"),
               number(broker, "waiting"));
    if (json_is_object(letters))
        printf("letters  %" PRId64 " wait%s%s\n", number(letters, "waiting"),
               word(letters, "why")[0] ? ": " : "", word(letters, "why"));
    if (json_is_object(letters) && word(letters, "why_refused")[0])
        printf("         refused: %s\n", word(letters, "why_refused"));
    if (is_true(page, "served"))
        printf("page     %s://%s:%" PRId64 "/\n", is_true(page, "tls") ? "https" : "http",
               word(page, "listen"), number(page, "port"));
    else
        printf("page     %s\n", is_true(page, "wanted") ? "cannot be served" : "none");
}

static void print_parts(const json_t *parts)
{
    size_t i, stuck = 0;
    json_t *p;
    json_array_foreach(parts, i, p) stuck += is_true(p, "stuck");
    printf("threads  %zu watched, %zu stuck\n", json_array_size(parts), stuck);
    json_array_foreach(parts, i, p) if (is_true(p, "stuck"))
        printf("         %s is stuck\n", word(p, "name"));
}

static void print(const json_t *o)
{
    const char *frame = word(o, "last_frame");
    printf("foretripd %s, process %" PRId64 ", of %s, since %s\n", word(o, "version"),
           number(o, "pid"), word(o, "site"), word(o, "started"));
    printf("frames   %" PRId64 ", the last at %s\n", number(o, "frames"),
           frame[0] ? frame : "(none yet)");
    print_meters(json_object_get(o, "meters"));
    print_buses(json_object_get(o, "buses"));
    print_rest(o);
    print_parts(json_object_get(o, "parts"));
}

enum exit_code verb_status(int argc, char **argv)
{
    const char *run = RUNNING_DIRECTORY;
    bool as_json = false;
    const struct option_row rows[] = {{.name = "run", .value = &run},
                                      {.name = "json", .flag = &as_json}};
    char why[RUNNING_WHY_SIZE];
    if (!options_take(rows, 2, argc, argv))
        return EXIT_USAGE;
    json_t *o = running_read(run, why);
    bool good = o != NULL;
    if (!good) {
        fprintf(stderr,
                "foretrip status: %s; foretrip doctor says what to do, --run DIR asks one that "
                "was started by hand with --status DIR/status.json\n",
                why);
        return EXIT_BAD;
    }
    good = running_well(o);
    if (as_json)
        return kept_print_json(o) == EXIT_GOOD && good ? EXIT_GOOD : EXIT_BAD;
    print(o);
    json_decref(o);
    return good ? EXIT_GOOD : EXIT_BAD;
}
