#include "text.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool reserve(struct text *t, size_t more)
{
    if (t->failed)
        return false;
    if (t->length + more + 1 <= t->capacity)
        return true;
    size_t capacity = t->capacity ? t->capacity : 64;
    while (capacity < t->length + more + 1)
        capacity *= 2;
    char *bytes = realloc(t->bytes, capacity);
    if (!bytes) {
        t->failed = true;
        return false;
    }
    t->bytes = bytes;
    t->capacity = capacity;
    return true;
}

void text_append_bytes(struct text *t, const void *bytes, size_t length)
{
    if (!reserve(t, length))
        return;
    if (length > 0)
        memcpy(t->bytes + t->length, bytes, length);
    t->length += length;
    t->bytes[t->length] = '\0';
}

void text_append(struct text *t, const char *s)
{
    text_append_bytes(t, s, strlen(s));
}

void text_vprintf(struct text *t, const char *format, va_list args)
{
    va_list again;
    if (t->failed)
        return;
    va_copy(again, args);
    size_t room = t->capacity - t->length; /* where it fits, as mostly, it is formatted once */
    int n = vsnprintf(t->bytes ? t->bytes + t->length : NULL, room, format, args);
    if (n >= 0 && (size_t)n >= room && reserve(t, (size_t)n))
        vsnprintf(t->bytes + t->length, (size_t)n + 1, format, again);
    if (n >= 0 && !t->failed)
        t->length += (size_t)n;
    if (t->bytes)
        t->bytes[t->length] = '\0'; /* nothing half done */
    va_end(again);
}

void text_printf(struct text *t, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    text_vprintf(t, format, args);
    va_end(args);
}

const char *text_get(const struct text *t)
{
    return t->bytes ? t->bytes : "";
}

void text_clear(struct text *t)
{
    t->length = 0;
    if (t->bytes)
        t->bytes[0] = '\0';
}

void text_free(struct text *t)
{
    free(t->bytes);
    *t = (struct text){0};
}

bool text_copy(char *out, size_t capacity, const char *s)
{
    assert(capacity >= 1);
    size_t n = strlen(s);
    size_t kept = n < capacity ? n : capacity - 1;
    memcpy(out, s, kept);
    out[kept] = '\0';
    return kept == n;
}

size_t text_distance(const char *a, const char *b)
{
    enum { MOST = 64 };
    size_t la = strlen(a), lb = strlen(b);
    if (la > MOST || lb > MOST)
        return MOST;
    size_t d[MOST + 1][MOST + 1];
    for (size_t i = 0; i <= la; i++)
        d[i][0] = i;
    for (size_t j = 0; j <= lb; j++)
        d[0][j] = j;
    for (size_t i = 1; i <= la; i++) {
        for (size_t j = 1; j <= lb; j++) {
            size_t best = d[i - 1][j - 1] + (a[i - 1] != b[j - 1]);
            if (d[i - 1][j] + 1 < best)
                best = d[i - 1][j] + 1;
            if (d[i][j - 1] + 1 < best)
                best = d[i][j - 1] + 1;
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] &&
                d[i - 2][j - 2] + 1 < best)
                best = d[i - 2][j - 2] + 1;
            d[i][j] = best;
        }
    }
    return d[la][lb];
}

bool text_read_file(struct text *t, const char *path, size_t limit)
{
    FILE *f = fopen(path, "rb");
    if (!f)
        return false;
    char chunk[16384];
    size_t n, total = 0;
    int err = 0;
    while ((n = fread(chunk, 1, sizeof chunk, f)) > 0) {
        total += n;
        if (total > limit) {
            err = EFBIG;
            break;
        }
        text_append_bytes(t, chunk, n);
    }
    if (!err && ferror(f))
        err = errno ? errno : EIO;
    fclose(f);
    if (!err && t->failed)
        err = ENOMEM;
    errno = err;
    return err == 0;
}
