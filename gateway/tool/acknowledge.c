/* foretrip acknowledge, foretrip shelve, foretrip breaker-replaced: what a person does about an
 * alarm or the breaker, asked of the running gateway. */
#include "ask.h"
#include "open_config.h"
#include "options.h"
#include "record.h"

#include "notify/command.h"

#include <pwd.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

struct wish {
    const char *about, *config, *by, *as, *note, *seconds;
    bool end;
};

/* The first word after the verb that is no option; what is left of argv are options. */
static const char *take_word(const char *what, int *argc, char ***argv)
{
    if (*argc < 2 || (*argv)[1][0] == '-') {
        fprintf(stderr, "foretrip %s: which %s? (foretrip help %s)\n", (*argv)[0], what,
                (*argv)[0]);
        return NULL;
    }
    const char *word = (*argv)[1];
    (*argv)[1] = (*argv)[0];
    ++*argv;
    --*argc;
    return word;
}

/* who is recorded when nobody is named */
static const char *own_name(void)
{
    const struct passwd *p = getpwuid(getuid());
    return p ? p->pw_name : "somebody at the gateway";
}

/* about: the member that says what it is about, "alarm" or "circuit" */
static enum exit_code ask(const struct wish *w, const char *verb, const char *about,
                          json_t *members)
{
    struct config c;
    json_object_set_new(members, about, json_string(w->about));
    json_object_set_new(members, "by", json_string(w->by ? w->by : own_name()));
    if (w->note)
        json_object_set_new(members, "note", json_string(w->note));
    if (!open_config(&c, w->config)) {
        json_decref(members);
        return EXIT_BAD;
    }
    enum exit_code code =
        ask_gateway(&(struct ask){.verb = verb, .person = w->as}, &c, members);
    config_free(&c);
    return code;
}

enum exit_code verb_acknowledge(int argc, char **argv)
{
    struct wish w = {0};
    const struct option_row rows[] = {{.name = "config", .value = &w.config, .needed = true},
                                      {.name = "by", .value = &w.by},
                                      {.name = "as", .value = &w.as}};
    if (!(w.about = take_word("alarm", &argc, &argv)) ||
        !options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    return ask(&w, "acknowledge", "alarm", json_object());
}

enum exit_code verb_shelve(int argc, char **argv)
{
    struct wish w = {0};
    const struct option_row rows[] = {
        {.name = "config", .value = &w.config, .needed = true},
        {.name = "for", .value = &w.seconds},
        {.name = "note", .value = &w.note},
        {.name = "by", .value = &w.by},
        {.name = "as", .value = &w.as},
        {.name = "end", .flag = &w.end},
    };
    if (!(w.about = take_word("alarm", &argc, &argv)) ||
        !options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    if (w.end == (w.seconds != NULL)) {
        fputs("foretrip shelve: either --for TIME or --end (foretrip help shelve)\n", stderr);
        return EXIT_USAGE;
    }
    if (w.end)
        return ask(&w, "unshelve", "alarm", json_object());
    int64_t ms = record_duration(w.seconds);
    if (ms == 0) {
        fprintf(stderr, "foretrip shelve: --for takes a time like 30m, 2h or 1d, not \"%s\"\n",
                w.seconds);
        return EXIT_USAGE;
    }
    if ((double)ms > COMMAND_MAX_SHELVE_SECONDS * 1000.0) {
        fprintf(stderr,
                "foretrip shelve: --for %s is too long; shelving ends after 30d at the "
                "latest\n",
                w.seconds);
        return EXIT_USAGE;
    }
    return ask(&w, "shelve", "alarm", json_pack("{s:f}", "seconds", (double)ms / 1000.0));
}

enum exit_code verb_breaker_replaced(int argc, char **argv)
{
    struct wish w = {0};
    const struct option_row rows[] = {{.name = "config", .value = &w.config, .needed = true},
                                      {.name = "note", .value = &w.note},
                                      {.name = "by", .value = &w.by},
                                      {.name = "as", .value = &w.as}};
    if (!(w.about = take_word("circuit", &argc, &argv)) ||
        !options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    return ask(&w, "breaker-replaced", "circuit", json_object());
}
