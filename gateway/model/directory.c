#include "directory.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void directory_record_free(struct directory_record *r)
{
    free(r->places);
    free(r->purposes);
    *r = (struct directory_record){0};
}

/* room for one more, doubling at the powers of two */
static void *grow(void *array, size_t count, size_t size)
{
    if (count >= DIRECTORY_MOST)
        return NULL;
    if ((count & (count - 1)) != 0)
        return array;
    return realloc(array, (count ? 2 * count : 1) * size);
}

struct directory_place *directory_add_place(struct directory_record *r)
{
    struct directory_place *p = grow(r->places, r->place_count, sizeof *p);
    if (!p)
        return NULL;
    r->places = p;
    memset(&p[r->place_count], 0, sizeof *p);
    return &p[r->place_count++];
}

struct directory_purpose *directory_add_purpose(struct directory_record *r)
{
    struct directory_purpose *p = grow(r->purposes, r->purpose_count, sizeof *p);
    if (!p)
        return NULL;
    r->purposes = p;
    memset(&p[r->purpose_count], 0, sizeof *p);
    return &p[r->purpose_count++];
}

const char *directory_words_fault(const char *words, bool may_be_empty)
{
    size_t n = strlen(words);
    if (n == 0)
        return may_be_empty ? NULL : "it is empty";
    if (n >= DIRECTORY_WORDS_SIZE)
        return "it is longer than 95 bytes";
    if (words[0] == ' ' || words[n - 1] == ' ')
        return "it begins or ends with a blank";
    for (size_t i = 0; i < n; i++)
        if ((unsigned char)words[i] < 0x20 || words[i] == 0x7f)
            return "it is not plain text of one line";
    return strchr(words, ';') ? "it has a semicolon, which parts places" : NULL;
}

bool directory_part_valid(const char *part)
{
    return part[0] == '\0' || strcmp(part, "upper") == 0 || strcmp(part, "lower") == 0;
}

bool directory_kind_valid(const char *kind)
{
    return strcmp(kind, "receptacle") == 0 || strcmp(kind, "switch") == 0;
}

char *directory_say_place(const struct directory_place *p, char *out, size_t capacity)
{
    snprintf(out, capacity, p->part[0] ? "%s (%s half)" : "%s", p->name, p->part);
    return out;
}
