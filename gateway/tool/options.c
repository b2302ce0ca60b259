#include "options.h"

#include "config/fields.h"

#include <stdio.h>
#include <string.h>

#define MOST_ROWS 32

static void say_unknown(const struct option_row *rows, size_t count, const char *verb,
                        const char *word)
{
    struct nearest n = {.word = word + strspn(word, "-")};
    for (size_t i = 0; i < count; i++)
        nearest_offer(&n, rows[i].name);
    const char *best = nearest_get(&n);
    fprintf(stderr, "foretrip %s: \"%s\" is not known", verb, word);
    if (best)
        fprintf(stderr, "; the nearest is --%s", best);
    fprintf(stderr, " (foretrip help %s)\n", verb);
}

/* the row of "--name" or "--name=value", with *value behind the sign or NULL */
static const struct option_row *find(const struct option_row *rows, size_t count,
                                     const char *word, const char **value)
{
    size_t length = strcspn(word, "=");
    *value = word[length] == '=' ? word + length + 1 : NULL;
    for (size_t i = 0; i < count; i++)
        if (strncmp(word, "--", 2) == 0 && strlen(rows[i].name) == length - 2 &&
            strncmp(rows[i].name, word + 2, length - 2) == 0)
            return &rows[i];
    return NULL;
}

bool options_take(const struct option_row *rows, size_t count, int argc, char **argv)
{
    bool given[MOST_ROWS] = {false};
    for (int i = 1; i < argc; i++) {
        const char *value;
        const struct option_row *row = find(rows, count, argv[i], &value);
        if (!row) {
            say_unknown(rows, count, argv[0], argv[i]);
            return false;
        }
        if (given[row - rows]) {
            fprintf(stderr, "foretrip %s: --%s is given twice\n", argv[0], row->name);
            return false;
        }
        given[row - rows] = true;
        if (row->flag)
            *row->flag = true;
        if (!row->value && !value)
            continue;
        if (row->value && !value && i + 1 < argc)
            value = argv[++i];
        if (!row->value || !value) {
            fprintf(stderr, "foretrip %s: --%s %s\n", argv[0], row->name,
                    row->value ? "needs a value" : "takes no value");
            return false;
        }
        *row->value = value;
    }
    for (size_t i = 0; i < count; i++) {
        if (!rows[i].needed || given[i])
            continue;
        fprintf(stderr, "foretrip %s: --%s is missing (foretrip help %s)\n", argv[0],
                rows[i].name, argv[0]);
        return false;
    }
    return true;
}
