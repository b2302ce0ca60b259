#include "house_hands.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct house_hands {
    const struct site *site;
    const struct house_spec *spec;
    FILE *log;
    int file;
    char line[HOUSE_HANDS_LINE];
    size_t length; /* of a line that has not ended */
};

struct house_hands *house_hands_open(const char *path, const struct site *site,
                                     const struct house_spec *spec, FILE *log)
{
    struct house_hands *h = calloc(1, sizeof *h);
    if (!h)
        return NULL;
    *h = (struct house_hands){.site = site, .spec = spec, .log = log};
    h->file = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (h->file < 0) {
        fprintf(stderr, "foretrip-house: %s: %s\n", path, strerror(errno));
        free(h);
        return NULL;
    }
    return h;
}

void house_hands_close(struct house_hands *h)
{
    if (!h)
        return;
    close(h->file);
    free(h);
}

static int find_load(const struct house_spec *spec, const char *id)
{
    for (size_t i = 0; i < spec->load_count; i++)
        if (strcmp(spec->loads[i].id, id) == 0)
            return (int)i;
    return -1;
}

static bool find_act(const char *word, enum house_act *out)
{
    for (int a = 0; a < HOUSE_ACTS; a++)
        if (strcmp(house_act_name((enum house_act)a), word) == 0) {
            *out = (enum house_act)a;
            return true;
        }
    return false;
}

/* "" at the end */
static const char *next_word(char **at)
{
    char *word;
    while ((word = strsep(at, " \t\r")) != NULL)
        if (*word)
            return word;
    return "";
}

static bool take_seconds(const char *word, double *out)
{
    char *end;
    *out = strtod(word, &end);
    return *word == '\0' || (*end == '\0' && *out >= 0.0 && *out <= 1e7);
}

bool house_hands_parse(const struct site *site, const struct house_spec *spec, const char *line,
                       struct house_script *out, char why[HOUSE_HANDS_LINE])
{
    char copy[HOUSE_HANDS_LINE], *at = copy;
    why[0] = '\0';
    *out = (struct house_script){.load = -1, .circuit = -1};
    snprintf(copy, sizeof copy, "%s", line);
    const char *act = next_word(&at);
    if (*act == '\0' || *act == '#')
        return false;
    if (!find_act(act, &out->act)) {
        snprintf(why, HOUSE_HANDS_LINE, "there is no act \"%.40s\"", act);
        return false;
    }
    enum house_needs needs = house_act_needs(out->act);
    const char *what = needs == HOUSE_NEEDS_NOTHING ? "" : next_word(&at);
    if (needs == HOUSE_NEEDS_LOAD && (out->load = find_load(spec, what)) < 0)
        snprintf(why, HOUSE_HANDS_LINE, "%s: there is no load \"%.40s\"", act, what);
    else if (needs == HOUSE_NEEDS_CIRCUIT && (out->circuit = site_find_circuit(site, what)) < 0)
        snprintf(why, HOUSE_HANDS_LINE, "%s: there is no circuit \"%.40s\"", act, what);
    else if (!take_seconds(next_word(&at), &out->seconds))
        snprintf(why, HOUSE_HANDS_LINE, "%s: what comes last is a number of seconds", act);
    return why[0] == '\0';
}

static void do_line(struct house_hands *h, struct house *house)
{
    struct house_script s;
    char why[HOUSE_HANDS_LINE];
    h->line[h->length] = '\0';
    if (house_hands_parse(h->site, h->spec, h->line, &s, why))
        house_do(house, &s);
    else if (why[0])
        fprintf(h->log, "hands: %s\n", why);
    h->length = 0;
}

void house_hands_turn(struct house_hands *h, struct house *house)
{
    char bytes[512];
    ssize_t n;
    while (h && (n = read(h->file, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < n; i++) {
            if (bytes[i] == '\n')
                do_line(h, house);
            else if (h->length + 1 < sizeof h->line)
                h->line[h->length++] = bytes[i];
        }
}
