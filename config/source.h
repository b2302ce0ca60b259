/*
 * source - where the texts of a configuration come from, and libconfig's view of one of them.
 *
 * A source hands out texts by name: a directory, or a table in memory. A text is bounded,
 * checked for what libconfig would pass over in silence (a NUL byte ends its reading, deep
 * nesting is unbounded recursion, @include leaves the directory), and then parsed.
 *
 * Ownership  a config_file owns its libconfig tree; source_close ends it. The source and the
 *            faults are borrowed
 */
#ifndef FORETRIP_CONFIG_SOURCE_H
#define FORETRIP_CONFIG_SOURCE_H

#include "config/reader.h"

#include <libconfig.h>

#define SOURCE_MAX_NESTING 16

struct config_source {
    const char *directory; /* NULL: from memory */
    const struct config_text *texts;
    size_t count;
    const struct signature_set *known; /* read before, to be copied when it is as shipped; NULL:
                                          none */
};

struct config_file {
    char name[CONFIG_FILE_SIZE];
    struct config_faults *faults;
    config_t tree;
    const config_setting_t *root;
};

enum source_result {
    SOURCE_OPEN,   /* *file is to be closed */
    SOURCE_ABSENT, /* there is no such text; no fault added */
    SOURCE_FAULTY, /* faults added, nothing to close */
};

/* Reads and parses name. */
enum source_result source_open(struct config_file *file, const struct config_source *source,
                               const char *name, struct config_faults *faults);
/* The same for a text that is at hand. Never SOURCE_ABSENT. */
enum source_result source_parse(struct config_file *file, const char *name, const char *text,
                                size_t length, struct config_faults *faults);
void source_close(struct config_file *file);

#endif
