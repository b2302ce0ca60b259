/*
 * options - "--name value" and "--flag", from a table.
 *
 * A fault is said on standard error in one sentence, with the nearest name for an unknown one.
 */
#ifndef FORETRIP_TOOL_OPTIONS_H
#define FORETRIP_TOOL_OPTIONS_H

#include <stdbool.h>
#include <stddef.h>

struct option_row {
    const char *name;   /* without the dashes */
    const char **value; /* gets the word that follows (or "=value"); NULL for a flag */
    bool *flag;         /* set when given; may be NULL */
    bool needed;
};

/* argv[0] is the verb. False when anything is unknown, lacks its value, is given twice or is
 * missing; then something was said. */
bool options_take(const struct option_row *rows, size_t count, int argc, char **argv);

#endif
