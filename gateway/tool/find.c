#include "find.h"

#include "config/fields.h"

#include <stdio.h>
#include <string.h>

static void say(const char *verb, const char *what, const struct nearest *n)
{
    char nearest[NEAREST_SIZE];
    fprintf(stderr, "foretrip %s: site.cfg has no %s \"%s\"%s\n", verb, what, n->word,
            nearest_say(n, nearest, sizeof nearest));
}

/* "17" of "15,17" */
static bool sits_at(const struct site_circuit *c, const char *position)
{
    size_t length = strlen(position);
    for (const char *at = c->position; length > 0 && *at;) {
        size_t n = strcspn(at, ",");
        if (n == length && strncmp(at, position, n) == 0)
            return true;
        at += n + (at[n] == ',');
    }
    return false;
}

static bool say_position(const struct site *s, const char *verb, const char *word)
{
    size_t said = 0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        if (!sits_at(c, word))
            continue;
        if (said++ == 0)
            fprintf(stderr, "foretrip %s: a circuit is named by its id, not \"%s\": ", verb,
                    word);
        fprintf(stderr, "%sposition %s of %s is %s", said > 1 ? ", " : "", word,
                s->panels[c->panel].name, c->id);
    }
    if (said > 0)
        fputc('\n', stderr);
    return said > 0;
}

int find_circuit(const struct site *s, const char *verb, const char *word)
{
    int found = site_find_circuit(s, word);
    struct nearest n = {.word = word};
    if (found >= 0 || say_position(s, verb, word))
        return found;
    for (size_t i = 0; i < s->circuit_count; i++)
        nearest_offer(&n, s->circuits[i].id);
    say(verb, "circuit", &n);
    return -1;
}

int find_panel(const struct site *s, const char *verb, const char *word)
{
    int found = site_find_panel(s, word);
    struct nearest n = {.word = word};
    for (size_t i = 0; i < s->panel_count; i++)
        nearest_offer(&n, s->panels[i].id);
    if (found < 0)
        say(verb, "panel", &n);
    return found;
}

int find_meter(const struct site *s, const char *verb, const char *word)
{
    int found = site_find_meter(s, word);
    if (found >= 0)
        return found;
    fprintf(stderr, "foretrip %s: site.cfg has no meter \"%s\"; it has", verb, word);
    for (size_t i = 0; i < s->meter_count; i++)
        fprintf(stderr, "%s \"%s\"", i ? "," : "", s->meters[i].id);
    fputs(s->meter_count ? "\n" : " none\n", stderr);
    return -1;
}
