#include "assets.h"

#include <string.h>

const struct asset *asset_find(const struct asset *list, const char *path)
{
    if (strcmp(path, "/") == 0)
        path = "/index.html";
    for (const struct asset *a = list; a->path; a++)
        if (strcmp(path, a->path) == 0)
            return a;
    return NULL;
}
