#include "position.h"

#include <string.h>

static bool is_letter(char c)
{
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

/* one place off the front of *at */
static bool take_place(const char **at, struct place *out)
{
    const char *s = *at;
    size_t letters = 0;
    *out = (struct place){0};
    while (is_letter(*s)) {
        if (letters + 1 >= sizeof out->prefix)
            return false;
        out->prefix[letters++] = *s++;
    }
    int digits = 0;
    for (; *s >= '0' && *s <= '9' && digits < 4; s++, digits++)
        out->number = out->number * 10 + (*s - '0');
    if (digits == 0 || out->number == 0)
        return false;
    if (is_letter(*s))
        out->half = *s++;
    *at = s;
    return true;
}

/* a first and a last place of three */
static bool fill_range(struct place p[POSITION_MAX_PLACES])
{
    int span = p[1].number - p[0].number;
    if ((span != 2 && span != 4) || p[0].half || p[1].half ||
        strcmp(p[0].prefix, p[1].prefix) != 0)
        return false;
    p[2] = p[1];
    p[1].number = p[0].number + span / 2;
    return true;
}

int position_parse(const char *text, int poles, struct place out[POSITION_MAX_PLACES])
{
    int count = 0;
    char separator = '\0';
    for (const char *at = text;; at++) { /* at: a place, then its separator */
        if (count == POSITION_MAX_PLACES || !take_place(&at, &out[count]))
            return 0;
        count++;
        if (*at == '\0')
            break;
        if (!strchr(",-/", *at) || (separator && *at != separator))
            return 0;
        separator = *at;
    }
    if (count == 2 && poles == 3 && separator == '-')
        return fill_range(out) ? 3 : -1;
    if (count > 1 && count != poles)
        return -1;
    return count;
}

bool position_clashes(const struct place *a, const struct place *b)
{
    return a->number == b->number && strcmp(a->prefix, b->prefix) == 0 &&
           (a->half == b->half || !a->half || !b->half);
}
