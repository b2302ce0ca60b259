#include "batch.h"

#include <stdlib.h>
#include <string.h>

struct value value_null(void)
{
    return (struct value){.type = VALUE_NULL};
}

struct value value_int(int64_t v)
{
    return (struct value){.type = VALUE_INT, .integer = v};
}

struct value value_real(double v)
{
    return (struct value){.type = VALUE_REAL, .real = v};
}

struct value value_text(const char *s)
{
    if (!s || s[0] == '\0')
        return value_null();
    return (struct value){.type = VALUE_TEXT, .length = strlen(s), .bytes = s};
}

struct value value_blob(const void *bytes, size_t length)
{
    return (struct value){.type = VALUE_BLOB, .length = length, .bytes = bytes};
}

static bool has_bytes(const struct value *v)
{
    return v->type == VALUE_TEXT || v->type == VALUE_BLOB;
}

bool batch_add(struct batch *b, struct entry_kind kind, const struct value *values,
               size_t count)
{
    size_t fixed = sizeof(struct entry) + count * sizeof *values, bytes = fixed;
    for (size_t i = 0; i < count; i++)
        if (has_bytes(&values[i]))
            bytes += values[i].length;
    struct entry *e = malloc(bytes);
    if (!e)
        return false;
    *e = (struct entry){.kind = kind, .bytes = bytes, .count = count};
    char *at = (char *)e + fixed;
    for (size_t i = 0; i < count; i++) {
        e->values[i] = values[i];
        if (!has_bytes(&values[i]))
            continue;
        if (values[i].length > 0)
            memcpy(at, values[i].bytes, values[i].length);
        e->values[i].bytes = at;
        at += values[i].length;
    }
    if (b->last)
        b->last->next = e;
    else
        b->first = e;
    b->last = e;
    b->count++;
    b->bytes += bytes;
    return true;
}

/* unlinks and frees the entry after prev (the first, when prev is NULL) */
static void drop_after(struct batch *b, struct entry *prev)
{
    struct entry *e = prev ? prev->next : b->first;
    if (prev)
        prev->next = e->next;
    else
        b->first = e->next;
    if (b->last == e)
        b->last = prev;
    b->count--;
    b->bytes -= e->bytes;
    free(e);
}

void batch_remove(struct batch *b, int statement, const char *key)
{
    struct entry *prev = NULL;
    while (prev ? prev->next : b->first) {
        const struct entry *e = prev ? prev->next : b->first;
        const struct value *v = e->values;
        if (e->kind.statement == statement && e->count > 0 && v->type == VALUE_TEXT &&
            v->length == strlen(key) && memcmp(v->bytes, key, v->length) == 0)
            drop_after(b, prev);
        else
            prev = prev ? prev->next : b->first;
    }
}

static void shed_worth(struct batch *b, enum batch_worth worth, size_t most_bytes,
                       uint64_t *dropped)
{
    struct entry *prev = NULL;
    while (b->bytes > most_bytes && (prev ? prev->next : b->first)) {
        struct entry *e = prev ? prev->next : b->first;
        if (e->kind.worth != worth) {
            prev = e;
            continue;
        }
        do {
            *dropped += e->kind.weight;
            drop_after(b, prev);
            e = prev ? prev->next : b->first;
        } while (e && e->kind.follows);
    }
}

void batch_shed(struct batch *b, size_t most_bytes, uint64_t dropped[BATCH_WORTHS])
{
    for (int w = 0; w < BATCH_WORTHS && b->bytes > most_bytes; w++)
        shed_worth(b, (enum batch_worth)w, most_bytes, &dropped[w]);
}

void batch_clear(struct batch *b)
{
    while (b->first)
        drop_after(b, NULL);
}
