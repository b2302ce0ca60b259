/* foretrip directory: the panel directory, its history, and tables of it in and out. */
#include "kept.h"
#include "leave.h"
#include "paragraph.h"
#include "verbs.h"

#include "analysis/directory_csv.h"
#include "base/clock.h"
#include "base/text.h"
#include "store/store_directory.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHANGES_MOST 1000

static const char *string(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

/* ---- the card ---- */

static void append_places(struct text *t, const json_t *line)
{
    size_t i;
    const json_t *p;
    json_array_foreach(json_object_get(line, "places"), i, p)
    {
        text_printf(t, "%s%s", i ? ", " : "", string(p, "place"));
        if (string(p, "part")[0])
            text_printf(t, " (%s half)", string(p, "part"));
    }
}

static void append_loads(struct text *t, const json_t *line)
{
    size_t i;
    const json_t *l;
    json_array_foreach(json_object_get(line, "loads"), i, l)
    {
        text_printf(t, "%s%s", i ? ", " : "", string(l, "load"));
    }
}

static void print_line(const json_t *line)
{
    struct text places = TEXT_INIT, loads = TEXT_INIT;
    const char *state = string(line, "state");
    if (strcmp(state, "space") == 0) {
        printf("  %-6s %6s  no breaker\n", string(line, "position"), "");
        return;
    }
    append_places(&places, line);
    append_loads(&loads, line);
    printf("  %-6s %4g A  %s%s\n", string(line, "position"),
           json_number_value(json_object_get(line, "rating_amps")),
           string(line, "purpose")[0] ? string(line, "purpose") : "NOT IDENTIFIED",
           strcmp(state, "spare") == 0 ? " (spare breaker)" : "");
    if (places.length)
        printf("  %15s %s\n", "", text_get(&places));
    if (loads.length)
        printf("  %15s seen: %s\n", "", text_get(&loads));
    text_free(&places);
    text_free(&loads);
}

static const char card_caution[] =
    "NEC 408.4(A) asks for a purpose that is clear, evident and specific. Local codes and the "
    "licensed electrician come first. Test that a circuit is dead before work; this card is no "
    "proof of it.";

static void print_panel(const struct record *r, const json_t *panel, bool print)
{
    char now[CLOCK_RFC3339_SIZE];
    size_t i;
    const json_t *line;
    clock_format_rfc3339(clock_wall_ms(), now);
    if (print)
        printf("PANEL DIRECTORY  %s\n", r->config.site.name);
    printf("%s, %g A%s%.10s\n", string(panel, "name"),
           json_number_value(json_object_get(panel, "rating_amps")), print ? "; as of " : "",
           print ? now : "");
    if (print)
        putchar('\n');
    json_array_foreach(json_object_get(panel, "lines"), i, line)
    {
        print_line(line);
    }
}

/* the card, each panel's on a page of its own where it is for paper */
static void print_card(const struct record *r, const json_t *o, bool print)
{
    size_t i;
    const json_t *panel, *remark, *remarks = json_object_get(o, "remarks");
    json_array_foreach(json_object_get(o, "panels"), i, panel)
    {
        if (i > 0)
            putchar(print ? '\f' : '\n');
        print_panel(r, panel, print);
        if (print) {
            putchar('\n');
            paragraph_print(card_caution, 0);
        }
    }
    if (json_array_size(remarks) > 0)
        printf("%cTo be looked at\n", print ? '\f' : '\n');
    json_array_foreach(remarks, i, remark)
    {
        printf("  %s %s\n", json_is_true(json_object_get(remark, "conflict")) ? "!" : "-",
               string(remark, "text"));
    }
    if (!print) {
        putchar('\n');
        paragraph_print(card_caution, 0);
    }
}

static enum exit_code show(const struct record *r, const char *panel_id, bool json, bool csv,
                           bool print)
{
    int panel = panel_id ? site_find_panel(&r->config.site, panel_id) : -1;
    struct text table = TEXT_INIT;
    enum exit_code code = EXIT_GOOD;
    if (panel_id && panel < 0) {
        fprintf(stderr, "foretrip directory: site.cfg has no panel %s\n", panel_id);
        return EXIT_BAD;
    }
    json_t *o = leave_read_directory(r, "directory", panel, &table);
    if (!o || table.failed) {
        code = EXIT_BAD;
    } else if (csv) {
        code =
            fputs(text_get(&table), stdout) >= 0 && fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
    } else if (json) {
        code = kept_print_json(json_incref(o));
    } else {
        print_card(r, o, print);
        code = fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
    }
    json_decref(o);
    text_free(&table);
    return code;
}

/* ---- history ---- */

struct listing {
    bool json;
    json_t *list;
};

static bool take_change(void *context, const struct store_directory_change *c)
{
    struct listing *l = context;
    char time[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(c->wall_ms, time);
    if (l->json) {
        json_array_append_new(
            l->list, json_pack("{s:I, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s}", "id",
                               (json_int_t)c->id, "time", time, "who", c->who, "panel",
                               c->panel, "position", c->position, "what", c->what, "subject",
                               c->subject, "before", c->before, "after", c->after));
        return true;
    }
    printf("%.19sZ  %s  ", time, c->who);
    if (strcmp(c->what, "place") == 0)
        printf("%s: ", c->subject);
    else
        printf("%s of %s: ", c->position, c->panel);
    printf("%s -> %s\n", c->before[0] ? c->before : "(nothing)",
           c->after[0] ? c->after : "(nothing)");
    return true;
}

static enum exit_code history(const struct record *r, bool json)
{
    struct listing l = {json, json_array()};
    enum store_err err =
        store_read_directory_changes(r->reader, 0, CHANGES_MOST, take_change, &l);
    enum exit_code code = record_ok(r, "directory", err) ? EXIT_GOOD : EXIT_BAD;
    if (json && code == EXIT_GOOD)
        return kept_print_json(l.list);
    json_decref(l.list);
    return code;
}

/* ---- changing ---- */

/* judged here first, so that a fault is said with its line before anything is asked for */
static enum exit_code import(const struct record *r, const char *path, const char *by)
{
    struct directory_record record = {0};
    struct directory_changes changes = {0};
    struct text table = TEXT_INIT, why = TEXT_INIT;
    enum exit_code code = EXIT_BAD;
    if (!text_read_file(&table, path, DIRECTORY_CSV_MOST)) {
        fprintf(stderr, "foretrip directory: %s: %s\n", path, strerror(errno));
    } else if (!record_ok(r, "directory", store_read_directory(r->reader, &record))) {
        code = EXIT_BAD;
    } else if (!directory_read_csv(&r->config.site, &record, text_get(&table), table.length,
                                   &changes, &why)) {
        fprintf(stderr, "foretrip directory: %s: %s; nothing was changed\n", path,
                text_get(&why));
    } else if (changes.count == 0) {
        printf("nothing in it is new\n");
        code = EXIT_GOOD;
    } else {
        json_t *wish = json_pack("{s:s, s:s}", "act", "import", "csv", text_get(&table));
        if (!wish)
            fprintf(stderr, "foretrip directory: %s: it is no UTF-8 text\n", path);
        code = wish ? leave_directory_wish(r, "directory", wish, by) : EXIT_BAD;
        if (code == EXIT_GOOD)
            printf("%zu changes\n", changes.count);
    }
    directory_changes_free(&changes);
    directory_record_free(&record);
    text_free(&table);
    text_free(&why);
    return code;
}

static bool takes(int argc, char **argv, const char *word, int operands)
{
    if (argc < 2 || strcmp(argv[1], word) != 0)
        return false;
    for (int i = 2; i < 2 + operands; i++)
        if (i >= argc || strncmp(argv[i], "--", 2) == 0)
            return false;
    return true;
}

enum exit_code verb_directory(int argc, char **argv)
{
    struct record_options o = {0};
    const char *by = NULL;
    bool json = false, csv = false, print = false;
    const struct option_row rows[] = {
        {.name = "config", .value = &o.config, .needed = true},
        {.name = "database", .value = &o.database},
        {.name = "by", .value = &by},
        {.name = "json", .flag = &json},
        {.name = "csv", .flag = &csv},
        {.name = "print", .flag = &print},
    };
    bool is_import = takes(argc, argv, "import", 1), is_set = takes(argc, argv, "set", 3);
    bool is_forget = takes(argc, argv, "forget", 1),
         is_history = takes(argc, argv, "history", 0);
    int words = is_import || is_forget ? 2 : is_set ? 4 : is_history ? 1 : 0;
    const char *panel = words == 0 && argc > 1 && argv[1][0] != '-' ? argv[1] : NULL;
    char *const *operand = argv + 2;
    words += panel != NULL;
    char *saved[3] = {NULL};
    for (int i = 0; i < 3 && words >= 2 + i; i++)
        saved[i] = operand[i];
    argv[words] = argv[0];
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc - words, argv + words))
        return EXIT_USAGE;
    struct record r;
    enum exit_code code = record_open(&r, "directory", &o);
    if (code != EXIT_GOOD)
        return code;
    if (is_import)
        code = import(&r, saved[0], by);
    else if (is_set)
        code =
            leave_directory_wish(&r, "directory",
                                 json_pack("{s:s, s:s, s:s, s:s}", "act", "purpose", "panel",
                                           saved[0], "position", saved[1], "words", saved[2]),
                                 by);
    else if (is_forget)
        code = leave_directory_wish(
            &r, "directory", json_pack("{s:s, s:s}", "act", "forget", "place", saved[0]), by);
    else if (is_history)
        code = history(&r, json);
    else
        code = show(&r, panel, json, csv, print);
    record_close(&r);
    return code;
}
