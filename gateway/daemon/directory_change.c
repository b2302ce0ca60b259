#include "directory_change.h"

#include "analysis/directory_csv.h"
#include "base/text.h"
#include "store/traced.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

struct changing {
    struct store *store;
    struct store_reader *reader;
    const struct site *site;
    const json_t *wish;
    int64_t wall_ms;
    const char *by;
    char *why;
    struct directory_record record; /* as it was before */
};

static const char *refuse(const struct changing *c, const char *what, const char *word)
{
    snprintf(c->why, DIRECTORY_CHANGE_WHY_SIZE, "%s: %s", what, word);
    return c->why;
}

static const char *string(const struct changing *c, const char *key)
{
    const char *s = json_string_value(json_object_get(c->wish, key));
    return s ? s : "";
}

/* ---- history ---- */

/* "main/7": the same in every language */
static void say_circuit(const struct changing *c, const char *circuit, char *out, size_t size)
{
    int i = circuit[0] ? site_find_circuit(c->site, circuit) : -1;
    if (i >= 0)
        snprintf(out, size, "%s/%s", c->site->panels[c->site->circuits[i].panel].id,
                 c->site->circuits[i].position);
    else
        snprintf(out, size, "%s", circuit[0] ? circuit : DIRECTORY_UNMETERED);
}

/* where a place was, of what was traced or of what was entered; "" when it was nowhere */
static void say_before(const struct changing *c, const char *name, const char *part,
                       bool traced, struct text *out)
{
    char one[128];
    for (size_t i = 0; i < c->record.place_count; i++) {
        const struct directory_place *p = &c->record.places[i];
        if (p->traced != traced || strcmp(p->name, name) != 0 || strcmp(p->part, part) != 0)
            continue;
        say_circuit(c, p->circuit, one, sizeof one);
        text_printf(out, out->length ? ", %s" : "%s", one);
    }
}

static void note_place(struct changing *c, const char *name, const char *part, int circuit,
                       const char *before, const char *after)
{
    struct directory_place p = {0};
    char said[DIRECTORY_WORDS_SIZE + DIRECTORY_PART_SIZE + 8];
    const struct site_circuit *k = circuit >= 0 ? &c->site->circuits[circuit] : NULL;
    snprintf(p.name, sizeof p.name, "%s", name);
    snprintf(p.part, sizeof p.part, "%s", part);
    store_add_directory_change(
        c->store,
        &(struct store_directory_change){.wall_ms = c->wall_ms,
                                         .who = c->by,
                                         .panel = k ? c->site->panels[k->panel].id : "",
                                         .position = k ? k->position : "",
                                         .what = "place",
                                         .subject = directory_say_place(&p, said, sizeof said),
                                         .before = before,
                                         .after = after});
}

/* ---- the acts ---- */

static void set_purpose(struct changing *c, int circuit, const char *words)
{
    const struct site_circuit *k = &c->site->circuits[circuit];
    const char *panel = c->site->panels[k->panel].id;
    bool entered;
    const char *before = directory_purpose_of(c->site, &c->record, circuit, &entered);
    struct directory_purpose p = {.wall_ms = c->wall_ms};
    snprintf(p.panel, sizeof p.panel, "%s", panel);
    snprintf(p.position, sizeof p.position, "%s", k->position);
    snprintf(p.words, sizeof p.words, "%s", words);
    snprintf(p.by, sizeof p.by, "%s", c->by);
    store_put_purpose(c->store, &p);
    store_add_directory_change(
        c->store, &(struct store_directory_change){.wall_ms = c->wall_ms,
                                                   .who = c->by,
                                                   .panel = panel,
                                                   .position = k->position,
                                                   .what = "purpose",
                                                   .subject = "",
                                                   .before = before,
                                                   .after = words[0] ? words : k->name});
}

static void put_place(struct changing *c, const char *name, const char *part, const char *kind,
                      int circuit, int panel, bool traced, double probability, double amps)
{
    struct directory_place p = {
        .traced = traced, .probability = probability, .amps = amps, .wall_ms = c->wall_ms};
    snprintf(p.name, sizeof p.name, "%s", name);
    snprintf(p.part, sizeof p.part, "%s", part);
    snprintf(p.kind, sizeof p.kind, "%s", kind);
    snprintf(p.by, sizeof p.by, "%s", c->by);
    if (circuit >= 0)
        snprintf(p.circuit, sizeof p.circuit, "%s", c->site->circuits[circuit].id);
    if (panel >= 0)
        snprintf(p.panel, sizeof p.panel, "%s", c->site->panels[panel].id);
    store_add_place(c->store, &p);
}

/* moves: from wherever it was entered; else it may be on several */
static void enter_place(struct changing *c, const char *name, const char *part, int circuit,
                        bool moves)
{
    char after[128];
    struct text before = TEXT_INIT;
    const struct site_circuit *k = &c->site->circuits[circuit];
    say_before(c, name, part, false, &before);
    say_circuit(c, k->id, after, sizeof after);
    store_drop_places(c->store, name, part, false, moves ? NULL : k->id);
    put_place(c, name, part, "receptacle", circuit, k->panel, false, NAN, NAN);
    note_place(c, name, part, circuit, text_get(&before), after);
    text_free(&before);
}

/* more could not be read back (model/directory.h) */
static bool has_room(const struct changing *c, size_t more)
{
    return c->record.place_count + more <= DIRECTORY_MOST;
}

static const char *place_fault(const struct changing *c)
{
    if (!has_room(c, 2))
        return "the directory is full: forget places first";
    const char *fault = directory_words_fault(string(c, "place"), false);
    if (fault)
        return refuse(c, "the place's name", fault);
    return directory_part_valid(string(c, "part")) ? NULL
                                                   : "part is \"\", \"upper\" or \"lower\"";
}

static const char *do_purpose(struct changing *c)
{
    int panel = site_find_panel(c->site, string(c, "panel")), circuit = -1;
    const char *words = string(c, "words"), *fault = directory_words_fault(words, true);
    if (fault)
        return refuse(c, "what the circuit serves", fault);
    for (size_t i = 0; panel >= 0 && i < c->site->circuit_count; i++)
        if (c->site->circuits[i].panel == panel &&
            strcmp(c->site->circuits[i].position, string(c, "position")) == 0)
            circuit = (int)i;
    if (circuit < 0)
        return "site.cfg has no breaker at that position of that panel";
    set_purpose(c, circuit, words);
    return NULL;
}

static const char *do_place(struct changing *c)
{
    const char *fault = place_fault(c);
    int circuit = site_find_circuit(c->site, string(c, "circuit"));
    if (fault)
        return fault;
    if (circuit < 0)
        return "site.cfg has no such circuit";
    enter_place(c, string(c, "place"), string(c, "part"), circuit, true);
    return NULL;
}

static const char *do_forget(struct changing *c)
{
    const char *name = string(c, "place"), *part = string(c, "part");
    struct text before = TEXT_INIT;
    say_before(c, name, part, true, &before);
    if (!before.length)
        say_before(c, name, part, false, &before);
    bool there = before.length > 0;
    if (there) {
        store_drop_places(c->store, name, part, true, NULL);
        store_drop_places(c->store, name, part, false, NULL);
        note_place(c, name, part, -1, text_get(&before), "");
    }
    text_free(&before);
    return there ? NULL : "there is no such place";
}

static const char *do_import(struct changing *c)
{
    struct directory_changes changes;
    struct text why = TEXT_INIT;
    const char *csv = string(c, "csv");
    bool good = directory_read_csv(c->site, &c->record, csv, strlen(csv), &changes, &why);
    if (!good)
        snprintf(c->why, DIRECTORY_CHANGE_WHY_SIZE, "%s", text_get(&why));
    text_free(&why);
    if (!good)
        return c->why;
    if (!has_room(c, changes.count)) {
        directory_changes_free(&changes);
        return "the table has more places than there is room for";
    }
    for (size_t i = 0; i < changes.count; i++) {
        const struct directory_change *k = &changes.list[i];
        char where[128];
        say_circuit(c, c->site->circuits[k->circuit].id, where, sizeof where);
        switch (k->kind) {
        case CHANGE_PURPOSE: set_purpose(c, k->circuit, k->words); break;
        case CHANGE_PLACE_ADDED: enter_place(c, k->words, k->part, k->circuit, false); break;
        case CHANGE_PLACE_GONE:
            store_drop_places(c->store, k->words, k->part, false,
                              c->site->circuits[k->circuit].id);
            note_place(c, k->words, k->part, k->circuit, where, "");
            break;
        }
    }
    directory_changes_free(&changes);
    return NULL;
}

/* ---- what was traced ---- */

static const char *take_traced(const struct changing *c, struct traced *t)
{
    const json_t *amps = json_object_get(c->wish, "amps"),
                 *tries = json_object_get(c->wish, "tries");
    const char *fault = traced_parse(string(c, "begins"), t);
    if (fault)
        return fault;
    t->amps = json_is_number(amps) ? json_number_value(amps) : (double)NAN;
    t->is_light = json_is_true(json_object_get(c->wish, "light"));
    if (tries)
        t->tries = (size_t)json_integer_value(tries);
    return t->tries >= 1 && t->tries <= TRACE_TRIES && t->tries <= t->count
               ? NULL
               : "tries is 1 to 4, and no more than there are beginnings";
}

static void keep_result(struct changing *c, const struct trace_result *r)
{
    const char *name = string(c, "place"), *part = string(c, "part"), *kind = string(c, "kind");
    struct text before = TEXT_INIT, after = TEXT_INIT;
    char one[128];
    say_before(c, name, part, true, &before);
    store_drop_places(c->store, name, part, true, NULL);
    for (int i = 0; i < 2 && r->circuits[i] >= 0; i++) {
        const struct site_circuit *k = &c->site->circuits[r->circuits[i]];
        put_place(c, name, part, kind, r->circuits[i], k->panel, true, r->probability, r->amps);
        say_circuit(c, k->id, one, sizeof one);
        text_printf(&after, after.length ? ", %s" : "%s", one);
    }
    if (r->verdict == TRACE_UNMETERED) {
        put_place(c, name, part, kind, -1, r->panel, true, r->probability, r->amps);
        text_append(&after, DIRECTORY_UNMETERED);
    }
    note_place(c, name, part, r->circuits[0], text_get(&before), text_get(&after));
    text_free(&before);
    text_free(&after);
}

static const char *do_keep(struct changing *c)
{
    struct traced t;
    struct trace_result r;
    bool complete = false;
    const char *fault = place_fault(c);
    if (!fault)
        fault = take_traced(c, &t);
    if (fault)
        return fault;
    if (!directory_kind_valid(string(c, "kind")))
        return "kind is \"receptacle\" or \"switch\"";
    enum store_err err = traced_judge(c->reader, c->site, &t, NULL, &complete, &r);
    if (err)
        return store_strerror(err);
    if (!complete)
        return "the readings of that time are not on disk yet";
    if (r.verdict == TRACE_UNSURE || r.verdict == TRACE_UNREAD)
        return "which circuit it is cannot be told yet, so nothing was kept";
    keep_result(c, &r);
    return NULL;
}

const char *directory_change(struct store *store, struct store_reader *r, const struct site *s,
                             const json_t *wish, int64_t wall_ms, const char *by,
                             char why[DIRECTORY_CHANGE_WHY_SIZE])
{
    static const struct {
        const char *act;
        const char *(*function)(struct changing *c);
    } acts[] = {{"keep", do_keep},
                {"purpose", do_purpose},
                {"place", do_place},
                {"forget", do_forget},
                {"import", do_import}};
    struct changing c = {.store = store,
                         .reader = r,
                         .site = s,
                         .wish = wish,
                         .wall_ms = wall_ms,
                         .by = by,
                         .why = why};
    enum store_err err = store_read_directory(r, &c.record);
    if (err)
        return store_strerror(err);
    const char *fault = "there is no such act";
    for (size_t i = 0; i < sizeof acts / sizeof acts[0]; i++)
        if (strcmp(acts[i].act, string(&c, "act")) == 0)
            fault = acts[i].function(&c);
    directory_record_free(&c.record);
    return fault;
}
