#include "shipped.h"

#include <stdint.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

const struct shipped_file *shipped_find(const char *name)
{
    for (const struct shipped_file *f = shipped_files; f->name; f++)
        if (strcmp(f->name, name) == 0)
            return f;
    return NULL;
}

void shipped_put_away(const struct shipped_file *f)
{
    uintptr_t page = (uintptr_t)sysconf(_SC_PAGESIZE);
    uintptr_t from = ((uintptr_t)f->text + page - 1) / page * page;
    uintptr_t to = ((uintptr_t)f->text + f->length) / page * page;
    /* constants, which nobody has written to: nothing but the file is behind them */
    if (from < to)
        (void)madvise((void *)from, to - from, MADV_DONTNEED);
}
