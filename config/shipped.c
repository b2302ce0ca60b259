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
    size_t page = (size_t)sysconf(_SC_PAGESIZE);
    size_t before = (page - (uintptr_t)f->text % page) % page; /* to its first whole page */
    if (f->length < before + page)
        return;
    /* constants, which nobody has written to: nothing but the program's file is behind them */
    (void)madvise((void *)(f->text + before), (f->length - before) / page * page,
                  MADV_DONTNEED);
}
