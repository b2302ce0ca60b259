#include "directory_csv.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define COLUMNS 7
enum column { PANEL, POSITION, CIRCUIT, AMPS, POLES, NAME, PLACES };
static const char *const titles[COLUMNS] = {"panel", "position", "circuit", "amps",
                                            "poles", "name",     "places"};

/* ---- out ---- */

static void append_cell(struct text *t, const char *s)
{
    if (!strpbrk(s, ",\"\r\n")) {
        text_append(t, s);
        return;
    }
    text_append(t, "\"");
    for (; *s; s++)
        text_append_bytes(t, *s == '"' ? "\"\"" : s, *s == '"' ? 2 : 1);
    text_append(t, "\"");
}

static void append_places(struct text *t, const struct directory_record *r, const char *circuit)
{
    struct text cell = TEXT_INIT;
    char said[DIRECTORY_WORDS_SIZE + DIRECTORY_PART_SIZE + 8];
    for (size_t i = 0; i < r->place_count; i++) {
        const struct directory_place *p = &r->places[i];
        bool again = false; /* traced and entered alike */
        for (size_t k = 0; k < i && !again; k++)
            again = strcmp(r->places[k].circuit, circuit) == 0 &&
                    strcmp(r->places[k].name, p->name) == 0 &&
                    strcmp(r->places[k].part, p->part) == 0;
        if (strcmp(p->circuit, circuit) != 0 || again)
            continue;
        text_append(&cell, cell.length ? "; " : "");
        text_append(&cell, directory_say_place(p, said, sizeof said));
    }
    append_cell(t, text_get(&cell));
    t->failed |= cell.failed;
    text_free(&cell);
}

void directory_write_csv(const struct directory *d, struct text *out)
{
    for (int i = 0; i < COLUMNS; i++)
        text_printf(out, "%s%s", titles[i], i + 1 < COLUMNS ? "," : "\r\n");
    for (size_t i = 0; i < d->line_count; i++) {
        const struct directory_line *l = &d->lines[i];
        append_cell(out, d->site->panels[l->panel].id);
        text_append(out, ",");
        append_cell(out, l->position);
        if (l->circuit < 0) {
            text_append(out, ",,,,,\r\n");
            continue;
        }
        const struct site_circuit *k = &d->site->circuits[l->circuit];
        text_printf(out, ",%s,%g,%d,", k->id, k->breaker_amps, k->poles);
        append_cell(out, l->purpose);
        text_append(out, ",");
        append_places(out, d->record, k->id);
        text_append(out, "\r\n");
    }
}

/* ---- in ---- */

struct table {
    const struct site *site;
    const struct directory_record *record;
    const char *at, *end;
    size_t line; /* of the cell that is read, from 1 */
    int column_of[64];
    size_t columns;
    struct text cell;
    struct directory_changes *out;
    struct text *why;
    bool *seen; /* circuits that had a line */
};

static bool fail(struct table *t, size_t line, const char *column, const char *what,
                 const char *word)
{
    text_printf(t->why, "line %zu, column %s: ", line, column);
    text_printf(t->why, what, word);
    return false;
}

/* One cell into t->cell; *last: it ends its line. False: its quotes are wrong. */
static bool read_cell(struct table *t, bool *last)
{
    bool quoted = t->at < t->end && *t->at == '"';
    text_clear(&t->cell);
    if (quoted) {
        for (t->at++;; t->at++) {
            if (t->at >= t->end)
                return false;
            if (*t->at == '"' && (t->at + 1 >= t->end || t->at[1] != '"'))
                break;
            t->at += *t->at == '"';
            t->line += *t->at == '\n';
            text_append_bytes(&t->cell, t->at, 1);
        }
        t->at++;
    } else {
        const char *from = t->at;
        while (t->at < t->end && !strchr(",\"\r\n", *t->at))
            t->at++;
        text_append_bytes(&t->cell, from, (size_t)(t->at - from));
    }
    *last = true;
    if (t->at >= t->end)
        return true;
    if (*t->at == ',') {
        t->at++;
        *last = false;
        return true;
    }
    t->at += *t->at == '\r';
    if (t->at < t->end && *t->at != '\n')
        return false;
    t->at += t->at < t->end;
    return true;
}

static bool read_header(struct table *t)
{
    bool last = false, has[COLUMNS] = {false};
    if (t->end - t->at >= 3 && memcmp(t->at, "\xEF\xBB\xBF", 3) == 0)
        t->at += 3; /* what some programs begin a table with */
    while (!last) {
        int found = -1;
        if (!read_cell(t, &last))
            return fail(t, 1, "header", "its quotes are wrong%s", "");
        for (int i = 0; i < COLUMNS; i++)
            if (strcasecmp(text_get(&t->cell), titles[i]) == 0)
                found = i;
        if (found < 0)
            return fail(
                t, 1, "header",
                "there is no column \"%.40s\"; there are panel, position, circuit, amps, "
                "poles, name, places",
                text_get(&t->cell));
        if (has[found])
            return fail(t, 1, titles[found], "it is there twice%s", "");
        has[found] = true;
        t->column_of[t->columns++] = found;
    }
    static const enum column needed[] = {PANEL, POSITION, NAME};
    for (size_t i = 0; i < sizeof needed / sizeof needed[0]; i++)
        if (!has[needed[i]])
            return fail(t, 1, titles[needed[i]], "it is missing%s", "");
    t->line = 2;
    return true;
}

static bool add_change(struct table *t, enum directory_change_kind kind, int circuit,
                       const char *words, const char *part)
{
    struct directory_change *c = realloc(t->out->list, (t->out->count + 1) * sizeof *c);
    if (!c) {
        text_append(t->why, "memory is short");
        return false;
    }
    t->out->list = c;
    c = &c[t->out->count++];
    *c = (struct directory_change){.kind = kind, .circuit = circuit};
    snprintf(c->words, sizeof c->words, "%s", words);
    snprintf(c->part, sizeof c->part, "%s", part);
    return true;
}

static bool take_name(struct table *t, size_t line, int circuit, const char *name)
{
    bool entered;
    const char *fault = directory_words_fault(name, true);
    if (fault)
        return fail(t, line, "name", "\"%.40s\": ", name), text_append(t->why, fault), false;
    const char *now = directory_purpose_of(t->site, t->record, circuit, &entered);
    if (strcmp(now, name) == 0 || (!entered && !name[0]))
        return true;
    return add_change(t, CHANGE_PURPOSE, circuit, name, "");
}

/* "Counter (upper half)" into name and part */
static void part_of(char *name, char part[DIRECTORY_PART_SIZE])
{
    static const char *const parts[] = {"upper", "lower"};
    part[0] = '\0';
    for (int i = 0; i < 2; i++) {
        char tail[24];
        size_t n = strlen(name);
        snprintf(tail, sizeof tail, " (%s half)", parts[i]);
        if (n > strlen(tail) && strcmp(name + n - strlen(tail), tail) == 0) {
            name[n - strlen(tail)] = '\0';
            snprintf(part, DIRECTORY_PART_SIZE, "%s", parts[i]);
        }
    }
}

struct listed {
    char name[DIRECTORY_WORDS_SIZE], part[DIRECTORY_PART_SIZE];
};
#define LISTED_MOST 200

static bool is_listed(const struct listed *l, size_t n, const struct directory_place *p)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(l[i].name, p->name) == 0 && strcmp(l[i].part, p->part) == 0)
            return true;
    return false;
}

static bool is_there(const struct table *t, int circuit, const struct listed *l)
{
    for (size_t i = 0; i < t->record->place_count; i++) {
        const struct directory_place *p = &t->record->places[i];
        if (strcmp(p->circuit, t->site->circuits[circuit].id) == 0 && is_listed(l, 1, p))
            return true;
    }
    return false;
}

static bool take_places(struct table *t, size_t line, int circuit, char *cell)
{
    struct listed list[LISTED_MOST];
    size_t n = 0;
    for (char *word; (word = strsep(&cell, ";")) != NULL;) {
        word += strspn(word, " ");
        for (size_t k = strlen(word); k > 0 && word[k - 1] == ' '; k--)
            word[k - 1] = '\0';
        if (!*word)
            continue;
        struct listed *l = &list[n];
        char part[DIRECTORY_PART_SIZE];
        part_of(word, part);
        const char *fault = n + 1 < LISTED_MOST ? directory_words_fault(word, false)
                                                : "there are more places than can be";
        if (fault)
            return fail(t, line, "places", "\"%.40s\": ", word), text_append(t->why, fault),
                   false;
        snprintf(l->name, sizeof l->name, "%s", word);
        memcpy(l->part, part, sizeof part);
        n++;
        if (!is_there(t, circuit, l) &&
            !add_change(t, CHANGE_PLACE_ADDED, circuit, l->name, l->part))
            return false;
    }
    for (size_t i = 0; i < t->record->place_count; i++) {
        const struct directory_place *p = &t->record->places[i];
        if (!p->traced && strcmp(p->circuit, t->site->circuits[circuit].id) == 0 &&
            !is_listed(list, n, p) &&
            !add_change(t, CHANGE_PLACE_GONE, circuit, p->name, p->part))
            return false;
    }
    return true;
}

static int find_position(const struct site *s, int panel, const char *position)
{
    for (size_t i = 0; i < s->circuit_count; i++)
        if (s->circuits[i].panel == panel && strcmp(s->circuits[i].position, position) == 0)
            return (int)i;
    return -1;
}

/* what is beside the name must be what site.cfg says */
static bool agrees(struct table *t, size_t line, const struct site_circuit *k,
                   char *const cells[COLUMNS])
{
    char *end;
    if (cells[CIRCUIT][0] && strcmp(cells[CIRCUIT], k->id) != 0)
        return fail(t, line, "circuit", "that position is circuit %s in site.cfg", k->id);
    if (cells[AMPS][0] && (strtod(cells[AMPS], &end) != k->breaker_amps || *end)) {
        char amps[24];
        snprintf(amps, sizeof amps, "%g", k->breaker_amps);
        return fail(t, line, "amps", "the breaker is of %s A in site.cfg", amps);
    }
    if (cells[POLES][0] && (strtol(cells[POLES], &end, 10) != k->poles || *end))
        return fail(t, line, "poles", "the breaker has another number of poles in site.cfg%s",
                    "");
    return true;
}

static bool take_line(struct table *t, size_t line, char *const cells[COLUMNS], bool has_places)
{
    int panel = site_find_panel(t->site, cells[PANEL]);
    if (panel < 0)
        return fail(t, line, "panel", "site.cfg has no panel \"%.40s\"", cells[PANEL]);
    int circuit = find_position(t->site, panel, cells[POSITION]);
    if (circuit < 0 && !cells[CIRCUIT][0] && !cells[NAME][0] && !cells[PLACES][0])
        return true; /* a position without a breaker */
    if (circuit < 0)
        return fail(t, line, "position", "the panel has no breaker at \"%.40s\"",
                    cells[POSITION]);
    if (t->seen[circuit])
        return fail(t, line, "position", "\"%.40s\" was in an earlier line", cells[POSITION]);
    t->seen[circuit] = true;
    return agrees(t, line, &t->site->circuits[circuit], cells) &&
           take_name(t, line, circuit, cells[NAME]) &&
           (!has_places || take_places(t, line, circuit, cells[PLACES]));
}

static bool read_line(struct table *t)
{
    char empty[] = "", *cells[COLUMNS], *owned[COLUMNS] = {NULL};
    bool last = false, good = true, has_places = false;
    size_t line = t->line, n = 0;
    for (int i = 0; i < COLUMNS; i++)
        cells[i] = empty;
    for (; good && !last; n++) {
        const char *title = n < t->columns ? titles[t->column_of[n]] : "after the last";
        if (!read_cell(t, &last))
            good = fail(t, line, title, "its quotes are wrong%s", "");
        else if (n >= t->columns)
            good = fail(t, line, title, "the line has more cells than the header%s", "");
        else if ((owned[n] = strdup(text_get(&t->cell))) == NULL || t->cell.failed)
            good = fail(t, line, title, "memory is short%s", "");
        else if (strlen(owned[n]) != t->cell.length)
            good = fail(t, line, title, "it has a zero byte%s", "");
        else
            cells[t->column_of[n]] = owned[n];
        has_places |= n < t->columns && t->column_of[n] == PLACES;
    }
    bool blank = n == 1 && cells[t->column_of[0]][0] == '\0';
    if (good && !blank && n < t->columns)
        good = fail(t, line, titles[t->column_of[n]], "it is missing in this line%s", "");
    if (good && !blank)
        good = take_line(t, line, cells, has_places);
    for (int i = 0; i < COLUMNS; i++)
        free(owned[i]);
    t->line++;
    return good;
}

bool directory_read_csv(const struct site *s, const struct directory_record *r,
                        const char *bytes, size_t length, struct directory_changes *out,
                        struct text *why)
{
    struct table t = {.site = s,
                      .record = r,
                      .at = bytes,
                      .end = bytes + length,
                      .line = 1,
                      .out = out,
                      .why = why,
                      .seen = calloc(s->circuit_count + 1, sizeof *t.seen)};
    *out = (struct directory_changes){0};
    bool good = t.seen && length <= DIRECTORY_CSV_MOST;
    if (!good)
        text_append(why, t.seen ? "the table is longer than 1 MiB" : "memory is short");
    good = good && read_header(&t);
    while (good && t.at < t.end)
        good = read_line(&t);
    free(t.seen);
    text_free(&t.cell);
    if (!good)
        directory_changes_free(out);
    return good;
}

void directory_changes_free(struct directory_changes *c)
{
    free(c->list);
    *c = (struct directory_changes){0};
}
