#include "csv.h"

#include "base/clock.h"

#include <math.h>
#include <string.h>

static void begin(struct csv *c)
{
    if (c->begun)
        text_append(c->out, ",");
    c->begun = true;
}

static bool is_formula(const char *s)
{
    s += strspn(s, " ");
    return *s && strchr("=+-@\t\r", *s);
}

void csv_words(struct csv *c, const char *s)
{
    begin(c);
    if (!strpbrk(s, ",\"\r\n") && !is_formula(s)) {
        text_append(c->out, s);
        return;
    }
    text_append(c->out, is_formula(s) ? "\"'" : "\"");
    for (; *s; s++) {
        if (*s == '"')
            text_append(c->out, "\"");
        text_append_bytes(c->out, s, 1);
    }
    text_append(c->out, "\"");
}

void csv_number(struct csv *c, int64_t v)
{
    begin(c);
    text_printf(c->out, "%lld", (long long)v);
}

void csv_real(struct csv *c, double v, int digits)
{
    begin(c);
    if (isfinite(v))
        text_printf(c->out, "%.*f", digits, v);
}

void csv_time(struct csv *c, int64_t wall_ms)
{
    char at[CLOCK_RFC3339_SIZE];
    begin(c);
    if (wall_ms == 0)
        return;
    clock_format_rfc3339(wall_ms, at);
    text_append(c->out, at);
}

void csv_end_line(struct csv *c)
{
    text_append(c->out, "\r\n");
    c->begun = false;
}

void csv_head(struct csv *c, const char *const *names, size_t count)
{
    for (size_t i = 0; i < count; i++)
        csv_words(c, names[i]);
    csv_end_line(c);
}
