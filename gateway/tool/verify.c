/* foretrip verify and foretrip backup: is the record sound, and a copy of it. */
#include "record.h"
#include "verbs.h"

#include <stdio.h>
#include <string.h>

static void print_fault(void *context, const char *sentence)
{
    (void)context;
    printf("%s\n", sentence);
}

enum exit_code verb_verify(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS];
    struct record r;
    struct history_check check;
    record_option_rows(&o, rows);
    if (!options_take(rows, 2, argc, argv))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "verify", &o);
    if (code != EXIT_GOOD)
        return code;
    bool good = record_ok(&r, "verify", history_verify(r.reader, print_fault, NULL, &check));
    if (good)
        printf("%s: %llu readings in %llu pieces, %llu summaries compared, %llu fault%s\n",
               r.path, (unsigned long long)check.readings, (unsigned long long)check.pieces,
               (unsigned long long)check.summaries, (unsigned long long)check.faults,
               check.faults == 1 ? "" : "s");
    record_close(&r);
    return good && check.faults == 0 ? EXIT_GOOD : EXIT_BAD;
}

enum exit_code verb_backup(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS];
    struct record r;
    char why[512] = "";
    record_option_rows(&o, rows);
    if (argc < 2 || argv[1][0] == '-') {
        fputs("foretrip backup: to which file? (foretrip help backup)\n", stderr);
        return EXIT_USAGE;
    }
    const char *to = argv[1];
    argv[1] = argv[0];
    if (!options_take(rows, 2, argc - 1, argv + 1))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "backup", &o);
    if (code != EXIT_GOOD)
        return code;
    enum store_err err = history_backup(r.reader, to, why, sizeof why);
    if (err)
        fprintf(stderr, "foretrip backup: %s\n", why);
    record_close(&r);
    return err ? EXIT_BAD : EXIT_GOOD;
}
