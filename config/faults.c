#include "faults.h"

#include <stdlib.h>
#include <string.h>

static void add(struct config_faults *f, bool warning, const char *file, int line,
                const char *format, va_list args)
{
    *(warning ? &f->warnings : &f->errors) += 1;
    if (f->count >= CONFIG_MAX_FAULTS)
        return;
    struct config_fault *grown = realloc(f->list, (f->count + 1) * sizeof *grown);
    if (!grown)
        return; /* counted all the same, so nothing passes for right */
    f->list = grown;
    struct text t = TEXT_INIT;
    text_vprintf(&t, format, args);
    if (t.failed) {
        text_free(&t);
        return;
    }
    struct config_fault *fault = &grown[f->count++];
    *fault = (struct config_fault){.line = line, .warning = warning, .text = t.bytes};
    text_copy(fault->file, sizeof fault->file, file);
}

void faults_error(struct config_faults *f, const char *file, int line, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    add(f, false, file, line, format, args);
    va_end(args);
}

void faults_warning(struct config_faults *f, const char *file, int line, const char *format,
                    ...)
{
    va_list args;
    va_start(args, format);
    add(f, true, file, line, format, args);
    va_end(args);
}

void faults_sort(struct config_faults *f)
{
    /* insertion: short, stable, and nearly sorted as it comes */
    for (size_t i = 1; i < f->count; i++) {
        struct config_fault x = f->list[i];
        size_t j = i;
        for (; j > 0; j--) {
            int by_file = strcmp(f->list[j - 1].file, x.file);
            if (by_file < 0 || (by_file == 0 && f->list[j - 1].line <= x.line))
                break;
            f->list[j] = f->list[j - 1];
        }
        f->list[j] = x;
    }
}

void faults_print(const struct config_faults *f, const char *prefix, struct text *out)
{
    for (size_t i = 0; i < f->count; i++) {
        const struct config_fault *x = &f->list[i];
        text_printf(out, "%s%s:%d: %s%s\n", prefix, x->file, x->line > 0 ? x->line : 1,
                    x->warning ? "warning: " : "", x->text);
    }
    size_t all = f->errors + f->warnings;
    if (all > f->count)
        text_printf(out, "and %zu more that are not listed\n", all - f->count);
}

void faults_free(struct config_faults *f)
{
    for (size_t i = 0; i < f->count; i++)
        free(f->list[i].text);
    free(f->list);
    *f = (struct config_faults){0};
}
