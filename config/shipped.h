/*
 * shipped - the configuration files that foretrip brings along, inside the program.
 *
 * Names are relative to config/: "appliances.cfg", "maps/branch-meter-42.cfg". The file of the
 * same name in the site's own directory comes first; see reader.h. Static storage.
 */
#ifndef FORETRIP_SHIPPED_H
#define FORETRIP_SHIPPED_H

#include <stddef.h>

struct shipped_file {
    const char *name; /* NULL ends the list */
    const char *text; /* terminated */
    size_t length;
};

extern const struct shipped_file shipped_files[];

/* NULL when there is none of that name. */
const struct shipped_file *shipped_find(const char *name);

/* The file has been read and will hardly be read again: its pages leave the process, and come
 * back out of the program's file when they are. */
void shipped_put_away(const struct shipped_file *f);

#endif
