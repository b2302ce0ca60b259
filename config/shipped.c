#include "shipped.h"

#include <string.h>

const struct shipped_file *shipped_find(const char *name)
{
    for (const struct shipped_file *f = shipped_files; f->name; f++)
        if (strcmp(f->name, name) == 0)
            return f;
    return NULL;
}
