#include "call_print.h"

#include "base/clock.h"
#include "base/text.h"

#include <string.h>

/* the few words that are on the paper alone */
enum label { TITLE, BREAKER, FROM, TO, TRIP, BEFORE, PUT_ON, HIGHEST, METER, LABELS };
static const char *label(const json_t *sheet, enum label which)
{
    static const char *const en[LABELS] = {"SERVICE CALL", "Breaker",       "From",
                                           "to",           "Trip",          "before",
                                           "Times reset",  "highest since", "the meter"};
    static const char *const es[LABELS] = {
        "SERVICIO",       "Interruptor",           "De",        "a", "Disparo", "antes",
        "Cerrado, veces", "máximo desde entonces", "el medidor"};
    const char *language = json_string_value(json_object_get(sheet, "language"));
    return (language && strcmp(language, "es") == 0 ? es : en)[which];
}

#define FIXED_LINES 34 /* what is there beside steps and loads, at the most */

static const char *word(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

static double number(const json_t *o, const char *member)
{
    return json_number_value(json_object_get(o, member));
}

/* bytes that begin no character take no column */
static size_t columns(const char *s, size_t n)
{
    size_t c = 0;
    for (size_t i = 0; i < n; i++)
        c += ((unsigned char)s[i] & 0xc0) != 0x80;
    return c;
}

void call_print_words(FILE *out, const char *indent, const char *words)
{
    size_t margin = columns(indent, strlen(indent)), at = margin;
    fputs(indent, out);
    for (const char *p = words; *p;) {
        size_t n = strcspn(p, " "), wide = columns(p, n);
        if (at > margin && at + 1 + wide > CALL_PRINT_COLUMNS) {
            fprintf(out, "\n%*s", (int)margin, "");
            at = margin;
        }
        fprintf(out, "%s%.*s", at > margin ? " " : "", (int)n, p);
        at += wide + (at > margin);
        p += n + strspn(p + n, " ");
    }
    fputc('\n', out);
}

void call_print_asked(FILE *out, const json_t *sheet)
{
    const json_t *asked = json_object_get(sheet, "asked"), *one;
    size_t i;
    if (!json_is_object(asked))
        return;
    fprintf(out, "\n== %s\n", word(asked, "title"));
    if (strcmp(word(asked, "stage"), "cautions") == 0)
        json_array_foreach(json_object_get(sheet, "cautions"), i, one)
        {
            call_print_words(out, " - ", json_string_value(one));
        }
    call_print_words(out, "", word(asked, "text"));
    call_print_words(out, "", word(asked, "who_may"));
    json_array_foreach(json_object_get(asked, "choices"), i, one)
    {
        fprintf(out, "  %zu  %s\n", i + 1, word(one, "words"));
    }
}

/* the site's clock */
static void clock_words(const struct site *s, const char *rfc3339, char out[24])
{
    int64_t wall_ms;
    out[0] = '\0';
    if (!clock_parse(rfc3339, strlen(rfc3339), &wall_ms))
        return;
    char utc[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(
        wall_ms + clock_utc_offset_seconds(s->timezone, wall_ms) * INT64_C(1000), utc);
    snprintf(out, 24, "%.10s %.8s", utc, utc + 11);
}

static void print_loads(FILE *out, const json_t *sheet)
{
    const json_t *call = json_object_get(sheet, "call"), *one;
    size_t i;
    if (json_array_size(json_object_get(call, "loads")) == 0) {
        fputs("  -\n", out);
        return;
    }
    json_array_foreach(json_object_get(call, "loads"), i, one)
    {
        const json_t *amps = json_object_get(one, "amps");
        const char *name = word(one, "name")[0] ? word(one, "name") : word(one, "appliance");
        fprintf(out, "  %-28.28s", name[0] ? name : "-");
        if (json_is_number(amps))
            fprintf(out, " %7.2f A", json_number_value(amps));
        else
            fputs("       - A", out);
        fprintf(out, "  %s\n",
                json_string_value(json_array_get(json_object_get(sheet, "outcomes"), i)));
    }
    fprintf(out, "  %-28s %7.2f A  %.0f %% of %g A\n", "=", number(sheet, "running_amps"),
            number(sheet, "running_percent"),
            number(json_object_get(sheet, "breaker"), "rating_amps"));
}

static void print_step(FILE *out, const struct site *s, const json_t *step)
{
    char when[24], said[160];
    clock_words(s, word(step, "at"), when);
    const char *note = word(step, "note"), *by = word(step, "by");
    snprintf(said, sizeof said, "%s%s%s%s", word(step, "words"), note[0] ? ": " : "", note,
             by[0] ? "" : " *");
    fprintf(out, "  %3lld %-8.8s %-16.16s ",
            (long long)json_integer_value(json_object_get(step, "step")),
            when + (strlen(when) > 11 ? 11 : 0), by);
    if (json_is_number(json_object_get(step, "amps")))
        fprintf(out, "%7.2f A ", number(step, "amps"));
    else
        fputs("      - A ", out);
    fprintf(out, "%.36s\n", said);
}

static void print_steps(FILE *out, const struct site *s, const json_t *sheet)
{
    const json_t *steps = json_object_get(sheet, "steps");
    size_t n = json_array_size(steps);
    size_t loads = json_array_size(json_object_get(json_object_get(sheet, "call"), "loads"));
    size_t room =
        FIXED_LINES + loads + 4 < CALL_PRINT_LINES ? CALL_PRINT_LINES - FIXED_LINES - loads : 4;
    size_t head = n > room ? room / 2 : n, tail = n > room ? room - room / 2 - 1 : 0;
    for (size_t i = 0; i < head; i++)
        print_step(out, s, json_array_get(steps, i));
    if (n > room)
        fprintf(out, "  ... (%zu)\n", n - head - tail);
    for (size_t i = n - tail; i < n && n > room; i++)
        print_step(out, s, json_array_get(steps, i));
}

static void print_head(FILE *out, const struct site *s, const json_t *sheet)
{
    char begun[24], ended[24], opened[24];
    const json_t *call = json_object_get(sheet, "call"), *b = json_object_get(sheet, "breaker");
    clock_words(s, word(call, "begun_at"), begun);
    clock_words(s, word(call, "ended_at"), ended);
    clock_words(s, word(call, "opened_at"), opened);
    fprintf(out, "%s %s\n%s\n", label(sheet, TITLE), word(call, "call"), s->name);
    fprintf(out, "%s %s, %s, %g A, %s\n", label(sheet, BREAKER), word(b, "position"),
            word(b, "name"), number(b, "rating_amps"), word(b, "panel_name"));
    fprintf(out, "%s %s %s %s, %s (%s)\n", label(sheet, FROM), begun, label(sheet, TO),
            ended[0] ? ended : "-", word(call, "by"), word(call, "as"));
    if (word(call, "trip")[0])
        fprintf(out, "%s %s, %s: %s, %.0f %%; %s %.2f A\n", label(sheet, TRIP),
                word(call, "trip"), opened, word(call, "cause"),
                100.0 * number(call, "cause_probability"), label(sheet, BEFORE),
                number(call, "amps_before"));
    fprintf(out, "%s: %lld", label(sheet, PUT_ON),
            (long long)json_integer_value(json_object_get(call, "resets")));
    if (json_is_number(json_object_get(call, "peak_amps")))
        fprintf(out, "; %s: %.2f A", label(sheet, HIGHEST), number(call, "peak_amps"));
    fputc('\n', out);
}

void call_print_sheet(FILE *out, const struct site *s, const json_t *sheet)
{
    const json_t *found = json_object_get(sheet, "found"), *one;
    size_t i, cautions = json_array_size(json_object_get(sheet, "cautions"));
    print_head(out, s, sheet);
    if (json_is_object(found)) {
        fputc('\n', out);
        call_print_words(out, "", word(found, "words"));
        call_print_words(out, "", word(found, "do"));
        json_array_foreach(json_object_get(found, "bring"), i, one)
        {
            call_print_words(out, "  + ", json_string_value(one));
        }
    } else {
        call_print_asked(out, sheet);
    }
    fputc('\n', out);
    print_loads(out, sheet);
    fputc('\n', out);
    print_steps(out, s, sheet);
    fprintf(out, "  *: %s\n\n", label(sheet, METER));
    call_print_words(
        out, "",
        json_string_value(json_array_get(json_object_get(sheet, "cautions"), cautions - 1)));
}

void call_print_row(FILE *out, const struct site *s, const json_t *call)
{
    char begun[24];
    clock_words(s, word(call, "begun_at"), begun);
    const char *finding = word(call, "finding");
    fprintf(out, "%-32s %s  %-10s %s%s\n", word(call, "call"), begun,
            finding[0] ? "ended" : "open", finding[0] ? finding : word(call, "stage"),
            json_is_true(json_object_get(call, "leave_off")) ? " (leave off)" : "");
}
