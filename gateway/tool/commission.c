/* foretrip commission: finds meters, tells their map, and whether they are wired as site.cfg
 * says. */
#include "commission.h"
#include "open_config.h"
#include "options.h"

#include "base/log.h"
#include "base/text.h"
#include "drivers/recorded.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define DEFAULT_SECONDS 600

void commission_ask(const char *question, const char *fallback, char *out, size_t capacity)
{
    char line[256];
    printf("%s%s%s%s ", question, fallback[0] ? " [" : "", fallback, fallback[0] ? "]" : "");
    fflush(stdout);
    if (!fgets(line, sizeof line, stdin))
        line[0] = '\0';
    line[strcspn(line, "\r\n")] = '\0';
    snprintf(out, capacity, "%s", line[0] ? line : fallback);
}

bool commission_agree(const char *question)
{
    char answer[16];
    commission_ask(question, "no", answer, sizeof answer);
    return answer[0] == 'y' || answer[0] == 'Y';
}

static void say_compared(const struct site *s, const struct wiring_check *w)
{
    char name[2 * SITE_NAME_SIZE + 32];
    int with_feeder = 0, silent = 0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        int f = s->panels[c->panel].fed_by;
        if (c->meter < 0 || f < 0 || s->circuits[f].meter < 0)
            continue;
        with_feeder++;
        for (int k = 0; k < c->poles; k++)
            if (wiring_check_compared(w, (int)i, k) < WIRING_LEAST_STEPS) {
                printf("not seen often enough to be judged: %s\n",
                       site_describe_circuit(s, (int)i, name, sizeof name));
                silent++;
                break;
            }
    }
    if (with_feeder == 0)
        puts(
            "no metered feeder: only what a power of the wrong sign and a walk tell was looked "
            "at. A circuit with a meter that feeds the panel (fed_by) lets every branch be "
            "compared.");
    else
        printf("%d of %d circuits with a metered feeder were compared with it\n",
               with_feeder - silent, with_feeder);
}

enum exit_code commission_say(const struct site *s, const struct wiring_check *w)
{
    static const char caution[] =
        "Transformers are turned and moved inside a panel: that is work for a licensed "
        "electrician under the local code, with the supply off. foretrip is no protective "
        "device.";
    struct wiring_finding found[COMMISSION_MOST_FINDINGS];
    char text[WIRING_TEXT_SIZE];
    size_t n = wiring_check_judge(w, found, COMMISSION_MOST_FINDINGS);
    for (size_t i = 0; i < n; i++)
        printf("%s %s: %s\n", wiring_fault_name(found[i].fault),
               s->circuits[found[i].circuit].id,
               wiring_check_text(s, &found[i], text, sizeof text));
    if (n == 0)
        puts("no mistake in the wiring was seen");
    else
        puts(caution);
    say_compared(s, w);
    return n == 0 ? EXIT_GOOD : EXIT_BAD;
}

/* A recording, from foretrip export or the page, instead of the buses. */
static enum exit_code check_recording(const char *directory, const char *path)
{
    struct config c;
    struct text problem = TEXT_INIT;
    enum exit_code code = EXIT_BAD;
    if (!open_config(&c, directory))
        return EXIT_BAD;
    struct recorded *r = recorded_open(&c.site, path, &problem);
    struct wiring_check *w = wiring_check_create(&c.site);
    struct frame *f = frame_create(&c.site);
    if (r && w && f) {
        while (recorded_read(r, &f, 1) == 1)
            wiring_check_feed(w, f);
        code = commission_say(&c.site, w);
        text_append(&problem, recorded_problem(r));
    }
    if (problem.length > 0) {
        fprintf(stderr, "foretrip commission: %s\n", text_get(&problem));
        code = EXIT_BAD;
    }
    frame_destroy(f);
    wiring_check_destroy(w);
    recorded_close(r);
    text_free(&problem);
    config_free(&c);
    return code;
}

static bool take_range(const char *text, int *first, int *last)
{
    char rest;
    int n = sscanf(text, "%d-%d%c", first, last, &rest);
    if (n == 1)
        *last = *first;
    return (n == 1 || n == 2) && *first >= 0 && *last <= 255 && *first <= *last;
}

static enum exit_code over_a_bus(const struct commission_options *o)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/site.cfg", o->directory);
    if (access(path, F_OK) != 0)
        return commission_new(o);
    struct config c;
    if (!open_config(&c, o->directory))
        return EXIT_BAD;
    enum exit_code code = EXIT_USAGE;
    if (site_find_bus(&c.site, o->bus) < 0)
        fprintf(stderr,
                "foretrip commission: %s has no bus \"%s\"; to begin with a new one, name a "
                "directory without a site.cfg\n",
                path, o->bus);
    else
        code = commission_live(o, &c);
    config_free(&c);
    return code;
}

enum exit_code verb_commission(int argc, char **argv)
{
    struct commission_options o = {.first_unit = 1, .last_unit = 247};
    const char *readings = NULL, *units = NULL, *seconds = NULL;
    const struct option_row rows[] = {{.name = "config", .value = &o.directory, .needed = true},
                                      {.name = "readings", .value = &readings},
                                      {.name = "units", .value = &units},
                                      {.name = "seconds", .value = &seconds},
                                      {.name = "walk", .flag = &o.walk},
                                      {.name = "yes", .flag = &o.yes}};
    if (argc > 1 && argv[1][0] != '-') {
        o.bus = argv[1];
        argv[1] = argv[0];
        argc--;
        argv++;
    }
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    char *end = NULL;
    o.seconds = seconds ? (int)strtol(seconds, &end, 10) : DEFAULT_SECONDS;
    if (!o.bus == !readings || (seconds && (*end || o.seconds < 0)) ||
        (units && !take_range(units, &o.first_unit, &o.last_unit))) {
        fputs("foretrip commission: which bus? (foretrip help commission)\n", stderr);
        return EXIT_USAGE;
    }
    log_set_level(LOG_LEVEL_WARNING);
    return readings ? check_recording(o.directory, readings) : over_a_bus(&o);
}
