#include "directory.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* Purposes that could be anybody's: 408.4(A) asks for more. Ours, not the code's list. */
static const char *const vague[] = {
    "light",
    "lights",
    "lighting",
    "outlet",
    "outlets",
    "plug",
    "plugs",
    "receptacle",
    "receptacles",
    "general",
    "general lighting",
    "misc",
    "miscellaneous",
    "other",
    "room",
    "rooms",
    "bedroom",
    "bedrooms",
    "upstairs",
    "downstairs",
    "house",
    "appliance",
    "appliances",
    "circuit",
    "breaker",
    "unknown",
    "sockets",
    "luces",
    "enchufes",
    "tomacorrientes",
};

static const char *const spare[] = {"spare", "not used", "unused", "reserva", "libre"};

static bool is_one_of(const char *words, const char *const *list, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (strcasecmp(words, list[i]) == 0)
            return true;
    return false;
}

static bool is_spare(const char *words)
{
    return is_one_of(words, spare, sizeof spare / sizeof spare[0]);
}

/* also "Lights 2": a number alone tells nothing */
static bool is_vague(const char *words)
{
    char bare[DIRECTORY_WORDS_SIZE];
    size_t n = strlen(words);
    while (n > 0 &&
           (isdigit((unsigned char)words[n - 1]) || words[n - 1] == ' ' || words[n - 1] == '#'))
        n--;
    snprintf(bare, sizeof bare, "%.*s", (int)n, words);
    return n == 0 || is_one_of(bare, vague, sizeof vague / sizeof vague[0]);
}

/* whole words, letters alike large and small */
static bool mentions(const char *text, const char *words)
{
    size_t n = strlen(words);
    for (const char *at = text; n > 0 && (at = strcasestr(at, words)) != NULL; at++)
        if ((at == text || !isalnum((unsigned char)at[-1])) && !isalnum((unsigned char)at[n]))
            return true;
    return false;
}

const char *directory_purpose_of(const struct site *s, const struct directory_record *r,
                                 int circuit, bool *entered)
{
    const struct site_circuit *k = &s->circuits[circuit];
    *entered = false;
    for (size_t i = 0; i < r->purpose_count; i++)
        if (strcmp(r->purposes[i].panel, s->panels[k->panel].id) == 0 &&
            strcmp(r->purposes[i].position, k->position) == 0) {
            *entered = true;
            return r->purposes[i].words;
        }
    return k->name;
}

/* ---- lines ---- */

/* "15,17" and "15-17": first and last number; "7A": 7; 0 when it names none */
static void take_places(const struct site_circuit *k, int step, int *first, int *last)
{
    char *end;
    const char *rest = strpbrk(k->position, ",-");
    *first = (int)strtol(k->position, &end, 10);
    *last = *first;
    if (*first <= 0)
        return;
    const char *tail = strrchr(k->position, ',');
    if (tail || rest)
        *last = (int)strtol((tail ? tail : rest) + 1, NULL, 10);
    else if (k->poles > 1)
        *last = *first + step * (k->poles - 1);
    if (*last < *first)
        *last = *first;
}

static struct directory_line *add_line(struct directory *d)
{
    struct directory_line *l = realloc(d->lines, (d->line_count + 1) * sizeof *l);
    if (!l)
        return NULL;
    d->lines = l;
    l[d->line_count] = (struct directory_line){.circuit = -1, .purpose = ""};
    return &l[d->line_count++];
}

#define MOST_PLACES 256

static bool add_spaces(struct directory *d, int panel, const bool taken[MOST_PLACES],
                       int highest)
{
    for (int n = 1; n <= highest; n++) {
        if (taken[n])
            continue;
        struct directory_line *l = add_line(d);
        if (!l)
            return false;
        l->panel = panel;
        l->place = n;
        l->state = DIRECTORY_SPACE;
        snprintf(l->position, sizeof l->position, "%d", n);
    }
    return true;
}

static bool add_panel(struct directory *d, int panel)
{
    const struct site *s = d->site;
    bool taken[MOST_PLACES] = {false};
    /* two columns, odd and even, where the poles are numbered as in North America */
    int step = s->standard == SITE_UL489 ? 2 : 1, highest = 0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *k = &s->circuits[i];
        int first, last;
        if (k->panel != panel)
            continue;
        struct directory_line *l = add_line(d);
        if (!l)
            return false;
        take_places(k, step, &first, &last);
        l->panel = panel;
        l->circuit = (int)i;
        l->place = first > 0 ? first : 0;
        memcpy(l->position, k->position, sizeof l->position);
        l->purpose = directory_purpose_of(s, d->record, (int)i, &l->entered);
        l->state = is_spare(l->purpose) ? DIRECTORY_SPARE : DIRECTORY_IN_USE;
        for (int n = first; n > 0 && n <= last && n < MOST_PLACES; n += step)
            taken[n] = true;
        if (last < MOST_PLACES && last > highest)
            highest = last;
    }
    return add_spaces(d, panel, taken, step == 2 ? (highest + 1) / 2 * 2 : highest);
}

static int by_place(const void *a, const void *b)
{
    const struct directory_line *x = a, *y = b;
    if (x->panel != y->panel)
        return x->panel - y->panel;
    if ((x->place == 0) != (y->place == 0))
        return x->place == 0 ? 1 : -1;
    return x->place != y->place ? x->place - y->place : strcmp(x->position, y->position);
}

/* ---- remarks ---- */

struct building {
    struct directory *d;
    const struct directory_load *loads;
    size_t load_count;
    bool failed;
};

static void remark(struct building *b, enum directory_remark_kind kind, int panel, int circuit,
                   int other, const char *subject)
{
    struct directory *d = b->d;
    struct directory_remark *r = realloc(d->remarks, (d->remark_count + 1) * sizeof *r);
    if (!r) {
        b->failed = true;
        return;
    }
    d->remarks = r;
    r = &r[d->remark_count++];
    *r = (struct directory_remark){.kind = kind, .panel = panel, .circuits = {circuit, other}};
    snprintf(r->subject, sizeof r->subject, "%s", subject);
}

static int circuit_of(const struct building *b, const struct directory_place *p)
{
    return p->circuit[0] ? site_find_circuit(b->d->site, p->circuit) : -1;
}

/* the same place on two circuits, each pair once */
static void judge_pair(struct building *b, const struct directory_place *p,
                       const struct directory_place *q)
{
    int x = circuit_of(b, p), y = circuit_of(b, q);
    if (x < 0 || y < 0 || x == y || strcasecmp(p->name, q->name) != 0)
        return;
    bool against = p->traced != q->traced && strcmp(p->part, q->part) == 0;
    remark(b, against ? REMARK_ENTERED_AGAINST : REMARK_PLACE_ON_TWO,
           b->d->site->circuits[x].panel, p->traced || !against ? x : y,
           p->traced || !against ? y : x, p->name);
}

static void judge_places(struct building *b)
{
    const struct directory_record *r = b->d->record;
    for (size_t i = 0; i < r->place_count; i++) {
        const struct directory_place *p = &r->places[i];
        char said[DIRECTORY_WORDS_SIZE + DIRECTORY_PART_SIZE + 8];
        directory_say_place(p, said, sizeof said);
        if (p->circuit[0] == '\0')
            remark(b, REMARK_UNMETERED, site_find_panel(b->d->site, p->panel), -1, -1, said);
        else if (circuit_of(b, p) < 0)
            remark(b, REMARK_CIRCUIT_GONE, site_find_panel(b->d->site, p->panel), -1, -1, said);
        for (size_t j = i + 1; j < r->place_count; j++)
            judge_pair(b, p, &r->places[j]);
    }
}

/* a place that a purpose names, but that was traced on other circuits alone */
static void judge_named_places(struct building *b, const struct directory_line *l)
{
    const struct directory_record *r = b->d->record;
    for (size_t i = 0; i < r->place_count; i++) {
        const struct directory_place *p = &r->places[i];
        int on = circuit_of(b, p);
        bool here = false;
        if (!p->traced || on < 0 || on == l->circuit || !mentions(l->purpose, p->name))
            continue;
        for (size_t j = 0; j < r->place_count && !here; j++)
            here = circuit_of(b, &r->places[j]) == l->circuit &&
                   strcasecmp(r->places[j].name, p->name) == 0;
        if (!here)
            remark(b, REMARK_PURPOSE_AGAINST, l->panel, l->circuit, on, p->name);
    }
}

/* a load that a purpose names, seen on another circuit and not here */
static void judge_named_loads(struct building *b, const struct directory_line *l)
{
    for (size_t i = 0; i < b->load_count; i++) {
        const struct directory_load *k = &b->loads[i];
        bool here = false;
        if (k->circuit == l->circuit || !mentions(l->purpose, k->words))
            continue;
        for (size_t j = 0; j < b->load_count && !here; j++)
            here = b->loads[j].circuit == l->circuit &&
                   strcasecmp(b->loads[j].words, k->words) == 0;
        if (!here)
            remark(b, REMARK_LOAD_AGAINST, l->panel, l->circuit, k->circuit, k->words);
    }
}

static bool has_place(const struct building *b, int circuit)
{
    const struct directory_record *r = b->d->record;
    for (size_t i = 0; i < r->place_count; i++)
        if (circuit_of(b, &r->places[i]) == circuit)
            return true;
    return false;
}

static void judge_words(struct building *b, size_t at)
{
    const struct directory_line *l = &b->d->lines[at];
    if (l->purpose[0] == '\0' && !has_place(b, l->circuit))
        remark(b, REMARK_UNIDENTIFIED, l->panel, l->circuit, -1, "");
    else if (is_vague(l->purpose) && !has_place(b, l->circuit))
        remark(b, REMARK_NOT_SPECIFIC, l->panel, l->circuit, -1, l->purpose);
    for (size_t i = at + 1; i < b->d->line_count; i++) {
        const struct directory_line *m = &b->d->lines[i];
        if (m->panel == l->panel && m->circuit >= 0 && m->state == DIRECTORY_IN_USE &&
            l->purpose[0] && strcasecmp(l->purpose, m->purpose) == 0)
            remark(b, REMARK_ALIKE, l->panel, l->circuit, m->circuit, l->purpose);
    }
}

/* what contradicts first */
static int by_kind(const void *a, const void *b)
{
    const struct directory_remark *x = a, *y = b;
    if (x->kind != y->kind)
        return (int)x->kind - (int)y->kind;
    return x->circuits[0] != y->circuits[0] ? x->circuits[0] - y->circuits[0]
                                            : strcmp(x->subject, y->subject);
}

bool directory_build(const struct site *s, const struct directory_record *r,
                     const struct directory_load *loads, size_t load_count,
                     struct directory *out)
{
    *out = (struct directory){.site = s, .record = r};
    struct building b = {out, loads, load_count, false};
    for (size_t p = 0; p < s->panel_count && !b.failed; p++)
        b.failed = !add_panel(out, (int)p);
    if (out->line_count > 0)
        qsort(out->lines, out->line_count, sizeof *out->lines, by_place);
    judge_places(&b);
    for (size_t i = 0; i < out->line_count; i++) {
        const struct directory_line *l = &out->lines[i];
        if (l->circuit < 0 || l->state != DIRECTORY_IN_USE)
            continue;
        judge_named_places(&b, l);
        judge_named_loads(&b, l);
        judge_words(&b, i);
    }
    if (out->remark_count > 0)
        qsort(out->remarks, out->remark_count, sizeof *out->remarks, by_kind);
    if (b.failed)
        directory_free(out);
    return !b.failed;
}

void directory_free(struct directory *d)
{
    free(d->lines);
    free(d->remarks);
    *d = (struct directory){0};
}

/* ---- words ---- */

const char *directory_state_name(enum directory_state s)
{
    switch (s) {
    case DIRECTORY_IN_USE: return "in_use";
    case DIRECTORY_SPARE: return "spare";
    case DIRECTORY_SPACE: return "space";
    }
    return "?";
}

const char *directory_remark_name(enum directory_remark_kind k)
{
    switch (k) {
    case REMARK_PLACE_ON_TWO: return "place_on_two";
    case REMARK_ENTERED_AGAINST: return "entered_against_traced";
    case REMARK_PURPOSE_AGAINST: return "purpose_against_traced";
    case REMARK_LOAD_AGAINST: return "purpose_against_load";
    case REMARK_UNMETERED: return "unmetered";
    case REMARK_UNIDENTIFIED: return "unidentified";
    case REMARK_NOT_SPECIFIC: return "not_specific";
    case REMARK_ALIKE: return "alike";
    case REMARK_CIRCUIT_GONE: return "circuit_gone";
    }
    return "?";
}

bool directory_is_conflict(enum directory_remark_kind k)
{
    return k <= REMARK_LOAD_AGAINST;
}

/* "7 in Main panel" */
static const char *position_of(const struct site *s, int circuit, char *out, size_t capacity)
{
    const struct site_circuit *k = &s->circuits[circuit];
    snprintf(out, capacity, "%s in %s", k->position, s->panels[k->panel].name);
    return out;
}

char *directory_say_remark(const struct directory *d, const struct directory_remark *r,
                           char *out, size_t capacity)
{
    char a[SITE_NAME_SIZE + 24] = "", b[SITE_NAME_SIZE + 24] = "";
    const char *where = r->panel >= 0 ? d->site->panels[r->panel].name : "a panel not known";
    if (r->circuits[0] >= 0)
        position_of(d->site, r->circuits[0], a, sizeof a);
    if (r->circuits[1] >= 0)
        position_of(d->site, r->circuits[1], b, sizeof b);
    switch (r->kind) {
    case REMARK_PLACE_ON_TWO:
        snprintf(out, capacity,
                 "%s is on two circuits: %s and %s. Both breakers must be off "
                 "before anybody works there.",
                 r->subject, a, b);
        break;
    case REMARK_ENTERED_AGAINST:
        snprintf(out, capacity, "%s was traced on %s, but entered on %s.", r->subject, a, b);
        break;
    case REMARK_PURPOSE_AGAINST:
        snprintf(out, capacity, "%s says %s, but that place was traced on %s.", a, r->subject,
                 b);
        break;
    case REMARK_LOAD_AGAINST:
        snprintf(out, capacity, "%s says %s, but that load was seen on %s.", a, r->subject, b);
        break;
    case REMARK_UNMETERED:
        snprintf(out, capacity, "%s is on none of the metered circuits (%s).", r->subject,
                 where);
        break;
    case REMARK_UNIDENTIFIED: snprintf(out, capacity, "%s is not identified.", a); break;
    case REMARK_NOT_SPECIFIC:
        snprintf(out, capacity, "%s says \"%s\", which does not tell it from others.", a,
                 r->subject);
        break;
    case REMARK_ALIKE:
        snprintf(out, capacity, "%s and %s both say \"%s\".", a, b, r->subject);
        break;
    case REMARK_CIRCUIT_GONE:
        snprintf(out, capacity, "%s is on a circuit that site.cfg does not have any more.",
                 r->subject);
        break;
    }
    return out;
}
