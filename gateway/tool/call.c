/* foretrip call: a service call on a terminal: begun, gone on with, listed, printed. */
#include "call_ask.h"
#include "call_print.h"
#include "kept.h"

#include "base/clock.h"
#include "base/text.h"

#include <poll.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define LOOK_MS 500 /* for what the meter says meanwhile */
#define MOST_LISTED 100

struct asked {
    struct record_options record;
    const char *by, *as, *answer, *note, *danger, *language;
    bool json, print, all;
};

static const char *own_name(void)
{
    const struct passwd *p = getpwuid(getuid());
    return p ? p->pw_name : "somebody at the gateway";
}

static const char *word(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

/* ---- the list ---- */

static bool add_row(void *context, const struct store_call_row *row)
{
    json_t *o = json_loads(row->json, 0, NULL);
    if (o)
        json_array_append_new(context, o);
    return true;
}

static enum exit_code list(const struct record *r, const struct asked *a)
{
    json_t *calls = json_array(), *one;
    size_t i;
    if (!record_ok(r, "call",
                   store_read_calls(r->reader, NULL, !a->all, MOST_LISTED, add_row, calls))) {
        json_decref(calls);
        return EXIT_BAD;
    }
    if (a->json)
        return kept_print_json(calls);
    json_array_foreach(calls, i, one)
    {
        call_print_row(stdout, &r->config.site, one);
    }
    if (json_array_size(calls) == 0)
        puts(a->all ? "There was no service call yet." : "No service call is open.");
    json_decref(calls);
    return EXIT_GOOD;
}

/* ---- one of them ---- */

static enum exit_code show(const struct record *r, const struct asked *a, const char *id,
                           enum call_language l)
{
    json_t *sheet = call_ask_sheet(r, id, l);
    if (!sheet)
        return EXIT_BAD;
    if (a->json)
        return kept_print_json(sheet);
    call_print_sheet(stdout, &r->config.site, sheet);
    json_decref(sheet);
    return EXIT_GOOD;
}

static bool send(const struct call_asker *k, const json_t *sheet, const char *answer,
                 const char *note, const char *danger)
{
    const json_t *call = json_object_get(sheet, "call");
    json_t *o = json_pack("{s:s, s:I, s:s, s:s}", "call", word(call, "call"), "question",
                          json_integer_value(json_object_get(call, "question")), "answer",
                          answer, "note", note ? note : "");
    if (danger)
        json_object_set_new(o, "danger", json_string(danger));
    return call_ask(k, "call-answer", o);
}

/* a line of what was typed; false at its end */
static bool read_line(char *line, size_t size)
{
    if (!fgets(line, (int)size, stdin))
        return false;
    line[strcspn(line, "\r\n")] = '\0';
    return true;
}

static bool is_typed(int wait_ms)
{
    struct pollfd p = {.fd = STDIN_FILENO, .events = POLLIN};
    return poll(&p, 1, wait_ms) > 0;
}

static void say_commands(const json_t *sheet)
{
    const json_t *one;
    size_t i;
    fputs("  s  STOP:", stdout);
    json_array_foreach(json_object_get(json_object_get(sheet, "asked"), "dangers"), i, one)
    {
        printf(" %s", word(one, "danger"));
    }
    fputs("   (s heat)\n  n  a note   (n the cord was pinched)\n  e  end here   q  leave it "
          "open\n> ",
          stdout);
    fflush(stdout);
}

static bool is_load_asked(const char *answer)
{
    return strcmp(answer, "connected") == 0;
}

/* what was typed, done; false: leave it */
static bool take_line(const struct call_asker *k, const json_t *sheet, const char *line)
{
    const json_t *choices = json_object_get(json_object_get(sheet, "asked"), "choices");
    char note[CALL_NOTE_SIZE] = "";
    const char *rest = line + (line[0] != '\0');
    rest += strspn(rest, " ");
    long n = strtol(line, NULL, 10);
    if (line[0] == 'q')
        return false;
    if (line[0] == 's') {
        send(k, sheet, "danger", "", rest[0] ? rest : NULL);
    } else if (line[0] == 'n') {
        send(k, sheet, "note", rest, NULL);
    } else if (line[0] == 'e') {
        send(k, sheet, "end", "", NULL);
    } else if (n >= 1 && (size_t)n <= json_array_size(choices)) {
        const char *answer = word(json_array_get(choices, (size_t)n - 1), "answer");
        if (is_load_asked(answer)) {
            fputs("which load? ", stdout);
            fflush(stdout);
            read_line(note, sizeof note);
        }
        send(k, sheet, answer, note, NULL);
    } else if (line[0]) {
        printf("a number from 1 to %zu, s, n, e or q\n", json_array_size(choices));
    }
    return true;
}

/* the meter has its say while nobody types: the question may change */
static json_t *wait_for_word(const struct call_asker *k, const char *id, enum call_language l,
                             json_t *sheet, bool *typed)
{
    json_int_t steps =
        json_integer_value(json_object_get(json_object_get(sheet, "call"), "steps"));
    *typed = false;
    while (!(*typed = is_typed(LOOK_MS))) {
        json_t *now = call_ask_sheet(k->record, id, l);
        bool moved = now && json_integer_value(json_object_get(json_object_get(now, "call"),
                                                               "steps")) != steps;
        if (moved || !now) {
            json_decref(sheet);
            return now;
        }
        json_decref(now);
    }
    return sheet;
}

static enum exit_code converse(const struct call_asker *k, const char *id, enum call_language l)
{
    char line[CALL_NOTE_SIZE];
    bool typed;
    setvbuf(stdin, NULL, _IONBF, 0); /* what is typed ahead is seen by poll too */
    for (;;) {
        json_t *sheet = call_ask_sheet(k->record, id, l);
        if (!sheet)
            return EXIT_BAD;
        if (!json_is_object(json_object_get(sheet, "asked"))) {
            call_print_sheet(stdout, &k->record->config.site, sheet);
            json_decref(sheet);
            return EXIT_GOOD;
        }
        call_print_asked(stdout, sheet);
        say_commands(sheet);
        sheet = wait_for_word(k, id, l, sheet, &typed);
        bool on =
            sheet && (!typed || (read_line(line, sizeof line) && take_line(k, sheet, line)));
        bool lost = !sheet;
        json_decref(sheet);
        if (!on) {
            if (!lost)
                printf("\nLeft open: foretrip call %s goes on with it.\n", id);
            return lost ? EXIT_BAD : EXIT_GOOD;
        }
    }
}

/* the call is ours when it was begun or taken over here */
static bool hold(const struct call_asker *k, const char *id, enum call_language l)
{
    json_t *sheet = call_ask_sheet(k->record, id, l);
    const json_t *call = json_object_get(sheet, "call");
    bool ended = sheet && !json_is_object(json_object_get(sheet, "asked"));
    bool ok = sheet != NULL;
    bool ours =
        strcmp(word(call, "device"), k->device) == 0 && strcmp(word(call, "as"), k->as) == 0;
    if (ok && !ended && !ours)
        ok = send(k, sheet, "take_over", "", NULL);
    json_decref(sheet);
    return ok;
}

static enum exit_code answer_once(const struct call_asker *k, const struct asked *a,
                                  const char *id, enum call_language l)
{
    json_t *sheet = call_ask_sheet(k->record, id, l);
    bool ok = sheet && send(k, sheet, a->answer, a->note, a->danger);
    json_decref(sheet);
    return !ok ? EXIT_BAD : a->json || a->print ? show(k->record, a, id, l) : EXIT_GOOD;
}

static enum exit_code one_call(const struct record *r, const struct asked *a,
                               const char *subject)
{
    char id[EVENT_ID_SIZE], device[CALL_DEVICE_SIZE];
    enum call_language l;
    call_language_find(a->language ? a->language : "en", &l);
    snprintf(device, sizeof device, "terminal-%ld", (long)getuid());
    const struct call_asker k = {r, a->by ? a->by : own_name(), a->as ? a->as : "occupant",
                                 device};
    text_copy(id, sizeof id, subject);
    bool circuit = site_find_circuit(&r->config.site, subject) >= 0;
    bool open = call_ask_open(r, subject, id);
    if (circuit && !open && (a->print || a->json || a->answer)) {
        fprintf(stderr, "foretrip call: %s has no open call\n", subject);
        return EXIT_BAD;
    }
    if (a->answer)
        return answer_once(&k, a, id, l);
    if (a->print || a->json)
        return show(r, a, id, l);
    if (circuit && !open) {
        json_t *o = json_pack("{s:s}", "circuit", subject);
        if (!call_ask(&k, "call-begin", o))
            return EXIT_BAD;
        if (!call_ask_open(r, subject, id)) { /* it has ended already: the newest of all */
            puts("It has ended at once: foretrip call --all lists it.");
            return EXIT_GOOD;
        }
    }
    return hold(&k, id, l) ? converse(&k, id, l) : EXIT_BAD;
}

enum exit_code verb_call(int argc, char **argv)
{
    struct asked a = {0};
    const struct option_row rows[] = {
        {.name = "config", .value = &a.record.config, .needed = true},
        {.name = "database", .value = &a.record.database},
        {.name = "by", .value = &a.by},
        {.name = "as", .value = &a.as},
        {.name = "answer", .value = &a.answer},
        {.name = "note", .value = &a.note},
        {.name = "danger", .value = &a.danger},
        {.name = "language", .value = &a.language},
        {.name = "json", .flag = &a.json},
        {.name = "print", .flag = &a.print},
        {.name = "all", .flag = &a.all},
    };
    const char *subject = NULL;
    enum call_language l;
    if (argc > 1 && argv[1][0] != '-') {
        subject = argv[1];
        argv[1] = argv[0];
        argv++;
        argc--;
    }
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    if (a.language && !call_language_find(a.language, &l)) {
        fprintf(stderr, "foretrip call: --language is en or es, not \"%s\"\n", a.language);
        return EXIT_USAGE;
    }
    if (!subject && (a.answer || a.print)) {
        fputs("foretrip call: which call? (foretrip help call)\n", stderr);
        return EXIT_USAGE;
    }
    struct record r;
    enum exit_code code = record_open(&r, "call", &a.record);
    if (code != EXIT_GOOD)
        return code;
    code = subject ? one_call(&r, &a, subject) : list(&r, &a);
    record_close(&r);
    return code;
}
