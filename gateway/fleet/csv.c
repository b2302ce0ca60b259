#include "csv.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
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

/* ---- reading one ---- */

/* one cell, up to its comma or the row's end; false: a quote is not closed */
static bool read_cell(struct csv_reader *r)
{
    bool quoted = *r->at == '"';
    r->at += quoted;
    for (;; r->at++) {
        if (*r->at == '\0')
            return !quoted;
        if (quoted && *r->at == '"') {
            if (r->at[1] != '"') {
                quoted = false;
                continue;
            }
            r->at++;
        } else if (!quoted && (*r->at == ',' || *r->at == '\n' || *r->at == '\r')) {
            return true;
        }
        r->next_line += *r->at == '\n';
        text_append_bytes(&r->bytes, r->at, 1);
    }
}

static bool fault(const struct csv_reader *r, const char *what, char *why, size_t why_size)
{
    snprintf(why, why_size, "line %d %s", r->line, what);
    return false;
}

bool csv_read_row(struct csv_reader *r, char *why, size_t why_size)
{
    why[0] = '\0';
    if (r->next_line == 0)
        r->next_line = 1;
    for (; *r->at == '\n' || *r->at == '\r'; r->at++)
        r->next_line += *r->at == '\n';
    r->line = r->next_line;
    r->count = 0;
    text_clear(&r->bytes);
    if (*r->at == '\0')
        return false;
    for (;; r->at++) { /* past a comma */
        if (r->count == CSV_MOST_CELLS)
            return fault(r, "has too many cells", why, why_size);
        r->starts[r->count++] = r->bytes.length;
        if (!read_cell(r))
            return fault(r, "has a quote that is not closed", why, why_size);
        text_append_bytes(&r->bytes, "", 1);
        if (*r->at != ',')
            break;
    }
    return !r->bytes.failed || fault(r, "is too long", why, why_size);
}

const char *csv_cell(const struct csv_reader *r, size_t i)
{
    const char *s = i < r->count ? r->bytes.bytes + r->starts[i] : "";
    return s[0] == '\'' && is_formula(s + 1) ? s + 1 : s;
}

void csv_reader_free(struct csv_reader *r)
{
    text_free(&r->bytes);
}
