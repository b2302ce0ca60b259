/* foretrip history: one circuit's readings over any span, at any width, as a table or a
 * picture. */
#include "find.h"
#include "plot.h"
#include "record.h"
#include "verbs.h"

#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PLOT_COLUMNS 96
#define PLOT_LINES 16
#define SVG_COLUMNS 1000
#define MOST_BUCKETS 10000000
#define DAY_MS INT64_C(86400000)

struct wish {
    const char *every, *svg;
    bool csv, json, plot, events;
};

/* "main-07" is its amps; "main-07.watts" and "main.volts_a" are what they say */
static bool find_column(const struct site *s, const char *name, char *column, size_t size,
                        int *circuit)
{
    const char *why = NULL;
    char id[SITE_ID_SIZE];
    bool bare = strchr(name, '.') == NULL;
    if (!bare && frame_find_column(s, name, strlen(name), &why) < 0) {
        fprintf(stderr, "foretrip history: \"%s\": %s\n", name, why);
        return false;
    }
    snprintf(id, sizeof id, "%.*s", (int)strcspn(name, "."), name);
    *circuit = bare ? find_circuit(s, "history", name) : site_find_circuit(s, id);
    if (bare && *circuit < 0)
        return false;
    snprintf(column, size, bare ? "%s.amps" : "%s", name);
    return true;
}

static const char *unit_of(const char *column)
{
    const char *dot = strrchr(column, '.');
    return strncmp(dot, ".amps", 5) == 0    ? "A"
           : strncmp(dot, ".watts", 6) == 0 ? "W"
           : strncmp(dot, ".volts", 6) == 0 ? "V"
                                            : " ";
}

static void print_number(double v, const char *before, const char *none)
{
    printf(isnan(v) ? "%s%s" : "%s", before, none);
    if (!isnan(v))
        printf("%.10g", v);
}

static void print_table(const int64_t *edges, const struct history_bucket *b, size_t count,
                        bool json)
{
    char time[CLOCK_RFC3339_SIZE];
    if (!json)
        puts("time,least,mean,most,rms,seconds_with_readings");
    for (size_t i = 0; i < count; i++) {
        clock_format_rfc3339(edges[i], time);
        printf(json ? "{\"time\":\"%s\"" : "%s", time);
        print_number(b[i].least, json ? ",\"least\":" : ",", json ? "null" : "");
        print_number(b[i].mean, json ? ",\"mean\":" : ",", json ? "null" : "");
        print_number(b[i].most, json ? ",\"most\":" : ",", json ? "null" : "");
        print_number(b[i].rms, json ? ",\"rms\":" : ",", json ? "null" : "");
        printf(json ? ",\"seconds_with_readings\":%.10g}\n" : ",%.10g\n", b[i].seconds);
    }
}

static bool print_event(void *context, const struct store_event_row *row)
{
    (void)context;
    puts(row->json);
    return true;
}

static bool draw(const struct record *r, const char *column, int circuit,
                 const struct history_bucket *b, size_t count, const char *svg)
{
    char left[CLOCK_RFC3339_SIZE], right[CLOCK_RFC3339_SIZE], title[256], name[128] = "";
    const struct site *s = &r->config.site;
    struct text out = TEXT_INIT;
    clock_format_rfc3339(r->from, left);
    clock_format_rfc3339((r->to + 999) / 1000 * 1000, right);
    if (circuit >= 0)
        site_describe_circuit(s, circuit, name, sizeof name);
    snprintf(title, sizeof title, "%s%s%s", column, name[0] ? ", " : "", name);
    struct plot p = {.buckets = b,
                     .count = count,
                     .title = title,
                     .unit = unit_of(column),
                     .left = left,
                     .right = right,
                     .rating = circuit >= 0 && strstr(column, ".amps")
                                   ? s->circuits[circuit].breaker_amps
                                   : (double)NAN};
    bool good = true;
    if (!svg) {
        plot_lines(&p, PLOT_LINES, &out);
        fputs(text_get(&out), stdout);
    } else {
        plot_svg(&p, &out);
        FILE *f = fopen(svg, "we");
        good = f && fputs(text_get(&out), f) != EOF;
        good = (!f || fclose(f) == 0) && good && !out.failed;
        if (!good)
            fprintf(stderr, "foretrip history: %s: %s\n", svg, strerror(errno));
    }
    text_free(&out);
    return good;
}

/* Edges of the table: whole steps of the site's own clock. Those of whole days follow a change
 * of the clocks, shorter ones go on as they began. */
static size_t make_edges(const struct record *r, int64_t every, int64_t **edges)
{
    const char *zone = r->config.site.timezone;
    int64_t offset = clock_utc_offset_seconds(zone, r->from) * INT64_C(1000);
    int64_t first = (r->from + offset) / every * every;
    bool days = every % DAY_MS == 0;
    int64_t end =
        r->to + (days ? clock_utc_offset_seconds(zone, r->to) * INT64_C(1000) : offset);
    size_t count = (size_t)((end - first + every - 1) / every);
    *edges = count < MOST_BUCKETS ? malloc((count + 1) * sizeof **edges) : NULL;
    for (size_t i = 0; *edges && i <= count; i++) {
        int64_t local = first + (int64_t)i * every;
        (*edges)[i] = days ? record_from_local(&r->config.site, local) : local - offset;
    }
    return count;
}

static bool show_table(struct record *r, const char *column, const struct wish *w)
{
    int64_t every = record_duration(w->every ? w->every : "15m"), *edges = NULL;
    if (every <= 0) {
        fprintf(stderr,
                "foretrip history: --every \"%s\" is no time; 10s, 15m, 1h or 1d would be\n",
                w->every);
        return false;
    }
    size_t count = make_edges(r, every, &edges);
    struct history_bucket *b = edges ? malloc((count + 1) * sizeof *b) : NULL;
    bool good = b != NULL;
    if (!good)
        fputs("foretrip history: that is more than fits into memory; take a wider --every\n",
              stderr);
    if (good)
        good = record_ok(r, "history",
                         history_buckets(r->reader, column, edges, count, HISTORY_EXACT, b));
    if (good)
        print_table(edges, b, count, w->json);
    free(edges);
    free(b);
    return good;
}

static bool show_plot(struct record *r, const char *column, int circuit, const char *svg)
{
    size_t count = svg ? SVG_COLUMNS : PLOT_COLUMNS;
    struct history_bucket *b = malloc(count * sizeof *b);
    bool good = b && record_ok(r, "history",
                               history_chart(r->reader, column, r->from, r->to, count, b));
    if (good)
        good = draw(r, column, circuit, b, count, svg);
    free(b);
    return good;
}

enum exit_code verb_history(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS + 6];
    struct record r;
    struct wish w = {0};
    char column[2 * SITE_ID_SIZE];
    int circuit = -1;
    record_option_rows(&o, rows);
    rows[RECORD_OPTIONS + 0] = (struct option_row){.name = "every", .value = &w.every};
    rows[RECORD_OPTIONS + 1] = (struct option_row){.name = "csv", .flag = &w.csv};
    rows[RECORD_OPTIONS + 2] = (struct option_row){.name = "json", .flag = &w.json};
    rows[RECORD_OPTIONS + 3] = (struct option_row){.name = "plot", .flag = &w.plot};
    rows[RECORD_OPTIONS + 4] = (struct option_row){.name = "svg", .value = &w.svg};
    rows[RECORD_OPTIONS + 5] = (struct option_row){.name = "events", .flag = &w.events};
    if (argc < 2 || argv[1][0] == '-') {
        fputs("foretrip history: of which circuit? (foretrip help history)\n", stderr);
        return EXIT_USAGE;
    }
    const char *name = argv[1];
    argv[1] = argv[0];
    if (!options_take(rows, RECORD_OPTIONS + 6, argc - 1, argv + 1))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "history", &o);
    if (code != EXIT_GOOD)
        return code;
    bool good = find_column(&r.config.site, name, column, sizeof column, &circuit);
    bool table = w.csv || w.json || w.every;
    if (good && r.from >= r.to) {
        fprintf(stderr, "foretrip history: %s has no readings yet\n", r.path);
        good = false;
    }
    if (good && table)
        good = show_table(&r, column, &w);
    if (good && w.svg)
        good = show_plot(&r, column, circuit, w.svg);
    if (good && (w.plot || (!table && !w.svg && !w.events)))
        good = show_plot(&r, column, circuit, NULL);
    if (good && w.events)
        good = record_ok(&r, "history",
                         store_read_events_between(
                             r.reader, circuit >= 0 ? r.config.site.circuits[circuit].id : NULL,
                             r.from, r.to, print_event, NULL));
    record_close(&r);
    return good ? EXIT_GOOD : EXIT_BAD;
}
