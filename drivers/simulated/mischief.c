#include "mischief.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

static const char *const names[MISCHIEF_KINDS] = {
    [MISCHIEF_NONE] = "dead", /* the one with a time instead of a share */
    [MISCHIEF_SILENCE] = "silence",     [MISCHIEF_DELAY] = "delay",
    [MISCHIEF_EXCEPTION] = "exception", [MISCHIEF_UNIT] = "unit",
    [MISCHIEF_CORRUPT] = "corrupt",     [MISCHIEF_SHORT] = "short",
    [MISCHIEF_CLOSE] = "close",
};

/* "name=number" or "name=number/number" */
static bool parse_fault(char *word, struct mischief *m, struct text *why)
{
    char *equals = strchr(word, '='), *end;
    if (!equals) {
        text_printf(why, "--faults: \"%s\" needs \"=\" and the share of requests", word);
        return false;
    }
    *equals = '\0';
    int kind = 0;
    while (kind < MISCHIEF_KINDS && strcmp(names[kind], word) != 0)
        kind++;
    double rate = strtod(equals + 1, &end);
    bool has_number = end != equals + 1 && *end == '/' && isdigit((unsigned char)end[1]);
    double number = has_number ? strtod(end + 1, &end) : 0.0;
    if (kind == MISCHIEF_KINDS) {
        text_printf(why,
                    "--faults: \"%s\" is none of silence, delay, exception, unit, corrupt, "
                    "short, close, dead",
                    word);
        return false;
    }
    bool dead = kind == MISCHIEF_NONE;
    if (end == equals + 1 || *end || !(rate >= 0.0 && (dead || rate <= 1.0)) ||
        !(number >= 0.0 && number <= 1e9) || (dead && !has_number)) {
        text_printf(why, "--faults: %s must be %s", word,
                    dead ? "SECOND/SECONDS"
                         : "a share from 0 to 1, with a number after a slash");
        return false;
    }
    if (dead) {
        m->dead_at = rate;
        m->dead_seconds = number;
        return true;
    }
    m->rates[kind] = rate;
    if (has_number && kind == MISCHIEF_DELAY)
        m->delay_ms = number;
    if (has_number && kind == MISCHIEF_EXCEPTION)
        m->exception = (int)number & 0xFF;
    return true;
}

static bool parse_meter(char *part, const struct site *site, struct mischief *meters,
                        struct text *why)
{
    char *colon = strchr(part, ':');
    if (!colon) {
        text_printf(why, "--faults: \"%s\" needs a meter, or *, and a colon", part);
        return false;
    }
    *colon = '\0';
    struct mischief m = {.delay_ms = 300.0, .exception = 6};
    char *rest = colon + 1;
    for (char *word; (word = strsep(&rest, ",")) != NULL;)
        if (!parse_fault(word, &m, why))
            return false;
    if (strcmp(part, "*") == 0) {
        for (size_t i = 0; i < site->meter_count; i++)
            meters[i] = m;
        return true;
    }
    int meter = site_find_meter(site, part);
    if (meter < 0) {
        text_printf(why, "--faults: site.cfg has no meter \"%s\"", part);
        return false;
    }
    meters[meter] = m;
    return true;
}

bool mischief_parse(const char *spec, const struct site *site, struct mischief *meters,
                    struct text *why)
{
    char *copy = strdup(spec), *rest = copy;
    bool ok = copy != NULL;
    for (char *part; ok && (part = strsep(&rest, ";")) != NULL;)
        ok = parse_meter(part, site, meters, why);
    free(copy);
    return ok;
}

enum mischief_kind mischief_draw(const struct mischief *m, struct chance *c,
                                 double house_seconds)
{
    if (house_seconds >= m->dead_at && house_seconds < m->dead_at + m->dead_seconds)
        return MISCHIEF_SILENCE;
    double u = chance_between(c, 0.0, 1.0);
    for (int k = MISCHIEF_SILENCE; k < MISCHIEF_KINDS; k++) {
        if (u < m->rates[k])
            return (enum mischief_kind)k;
        u -= m->rates[k];
    }
    return MISCHIEF_NONE;
}
