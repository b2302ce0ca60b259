#include "secret.h"

#include "base/text.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

bool secret_read(const char *path, const char *what, char out[SECRET_SIZE], char *why,
                 size_t why_size)
{
    struct text t = TEXT_INIT;
    out[0] = '\0';
    bool ok = text_read_file(&t, path, SECRET_SIZE - 1);
    if (!ok)
        snprintf(why, why_size, "%.200s: %s cannot be read: %s", path, what, strerror(errno));
    else
        text_copy(out, SECRET_SIZE, text_get(&t));
    out[strcspn(out, "\r\n")] = '\0';
    if (t.bytes)
        explicit_bzero(t.bytes, t.length);
    text_free(&t);
    return ok;
}
