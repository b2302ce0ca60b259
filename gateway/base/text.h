/*
 * text - a growing, always terminated string, and the few string helpers that need no domain.
 *
 * For sentences, JSON-free reports and file contents. A failed allocation is remembered
 * (text_failed) and makes further appends do nothing, so callers look once, at the end.
 *
 * Ownership  the struct belongs to the caller; text_free releases what it holds
 * Threads    none inside
 */
#ifndef FORETRIP_TEXT_H
#define FORETRIP_TEXT_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>

struct text {
    char *bytes; /* NULL or terminated */
    size_t length;
    size_t capacity;
    bool failed;
};

#define TEXT_INIT                                                                              \
    {                                                                                          \
        0                                                                                      \
    }

void text_append(struct text *t, const char *s);
void text_append_bytes(struct text *t, const void *bytes, size_t length);
void text_printf(struct text *t, const char *format, ...) __attribute__((format(printf, 2, 3)));
void text_vprintf(struct text *t, const char *format, va_list args)
    __attribute__((format(printf, 2, 0)));

/* The content so far, "" when there is none; valid until the next append or free. */
const char *text_get(const struct text *t);

/* Empties it and keeps the memory. */
void text_clear(struct text *t);
void text_free(struct text *t);

/* Copies with truncation and termination; false when it did not fit. capacity >= 1. */
bool text_copy(char *out, size_t capacity, const char *s);

/* Edits (insert, delete, replace, swap of neighbours) that turn a into b; texts over 64 bytes
 * count as far apart. For "did you mean". */
size_t text_distance(const char *a, const char *b);

/* Reads a whole file, at most limit bytes, into t. False with errno set (EFBIG when longer). */
bool text_read_file(struct text *t, const char *path, size_t limit);

#endif
