#include "parcel_strict.h"

#include <stdlib.h>
#include <string.h>

/* the code unit behind \u at s, of which there are n bytes; -1: none */
static long unit_at(const char *s, size_t n)
{
    char digits[5] = "";
    if (n < 6 || s[0] != '\\' || s[1] != 'u')
        return -1;
    memcpy(digits, s + 2, 4);
    return strtol(digits, NULL, 16);
}

bool parcel_strict(const char *json, size_t length)
{
    const char *end = json + length;
    if (memchr(json, '\f', length) || memchr(json, '\v', length))
        return false;
    for (const char *s = json; (s = memchr(s, '\\', (size_t)(end - s))) != NULL;) {
        if (end - s < 2)
            return false;
        long unit = unit_at(s, (size_t)(end - s));
        s += 2; /* what is escaped is passed over, a backslash too */
        if (unit == 0 || (unit >= 0xDC00 && unit <= 0xDFFF))
            return false;
        if (unit < 0xD800 || unit > 0xDBFF)
            continue;
        s += 4;
        long low = unit_at(s, (size_t)(end - s));
        if (low < 0xDC00 || low > 0xDFFF)
            return false;
        s += 6;
    }
    return true;
}
