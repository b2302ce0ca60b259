/* foretrip check: reads a configuration and says everything that is wrong with it. */
#include "options.h"
#include "verbs.h"

#include "config/reader.h"

#include <stdio.h>
#include <string.h>

static const char *plural(size_t count)
{
    return count == 1 ? "" : "s";
}

static void say_usable(const struct site *s)
{
    printf("usable: %zu panel%s, %zu circuit%s, %zu meter%s\n", s->panel_count,
           plural(s->panel_count), s->circuit_count, plural(s->circuit_count), s->meter_count,
           plural(s->meter_count));
}

enum exit_code verb_check(int argc, char **argv)
{
    const char *directory = NULL;
    const struct option_row rows[] = {{.name = "config", .value = &directory, .needed = true}};
    if (!options_take(rows, 1, argc, argv))
        return EXIT_USAGE;
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text prefix = TEXT_INIT, out = TEXT_INIT;
    bool usable = config_load(&c, directory, &faults);
    size_t length = strlen(directory);
    text_printf(&prefix, "%s%s", directory, length && directory[length - 1] == '/' ? "" : "/");
    faults_print(&faults, text_get(&prefix), &out);
    fputs(text_get(&out), stdout);
    if (usable) {
        say_usable(&c.site);
        config_free(&c);
    } else {
        printf("not usable: %zu fault%s\n", faults.errors, plural(faults.errors));
    }
    faults_free(&faults);
    text_free(&prefix);
    text_free(&out);
    return usable ? EXIT_GOOD : EXIT_BAD;
}
