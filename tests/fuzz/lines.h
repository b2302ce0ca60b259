/* lines.h - for targets whose input goes by lines. Included by one target each. */
#ifndef FORETRIP_FUZZ_LINES_H
#define FORETRIP_FUZZ_LINES_H

#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* the line as a string of its own, so that reading past it is seen */
static char *take_line(const uint8_t **data, size_t *size)
{
    const uint8_t *end = memchr(*data, '\n', *size);
    size_t n = end ? (size_t)(end - *data) : *size;
    char *line = malloc(n + 1);
    if (!line)
        abort();
    memcpy(line, *data, n);
    line[n] = '\0';
    *data += n + (end != NULL);
    *size -= n + (end != NULL);
    return line;
}

/* the rest as a string of its own */
static inline char *take_rest(const uint8_t *data, size_t size)
{
    char *rest = malloc(size + 1);
    if (!rest)
        abort();
    memcpy(rest, data, size);
    rest[size] = '\0';
    return rest;
}

#endif
