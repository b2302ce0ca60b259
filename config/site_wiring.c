/*
 * How panels, breakers and legs hang together: what cannot be so in any house is an error, what
 * a house may have and should not is a warning.
 */
#include "config/position.h"
#include "config/ratings.h"
#include "config/site_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int line_of(const struct site_element *e, const char *key)
{
    return field_line(e->group, key);
}

/* ---- ids
 * ------------------------------------------------------------------------------------- */

/* Every element of the site's arrays begins with its id (asserted in site_file.c). */
static void check_ids(const struct site_reading *r, const char *noun, const void *array,
                      size_t count, size_t size, const struct site_element *elements)
{
    for (size_t i = 1; i < count; i++) {
        const char *id = (const char *)array + i * size;
        for (size_t j = 0; id[0] && j < i; j++) {
            if (strcmp((const char *)array + j * size, id) != 0)
                continue;
            field_error(r->file, line_of(&elements[i], "id"),
                        "%s id \"%s\" is already taken in line %d; every %s has its own", noun,
                        id, line_of(&elements[j], "id"), noun);
            break;
        }
    }
}

/* Alarms and readings are named by the id alone. */
static void check_ids_across(const struct site_reading *r)
{
    const struct site *s = r->site;
    for (size_t i = 0; i < s->circuit_count; i++) {
        int panel = s->circuits[i].id[0] ? site_find_panel(s, s->circuits[i].id) : -1;
        if (panel >= 0)
            field_error(
                r->file, line_of(&r->circuits[i], "id"),
                "circuit id \"%s\" is the id of a panel too (line %d); alarms could not tell "
                "them apart, give one of them another",
                s->circuits[i].id, line_of(&r->panels[panel], "id"));
    }
}

/* ---- feeders
 * --------------------------------------------------------------------------------- */

/* the panel that a panel hangs on, -1 for none or one that is not known */
static int panel_above(const struct site *s, int panel)
{
    int feeder = s->panels[panel].fed_by;
    return feeder < 0 ? -1 : s->circuits[feeder].panel;
}

static void check_feeder(const struct site_reading *r, size_t panel)
{
    const struct site *s = r->site;
    const struct site_panel *p = &s->panels[panel];
    const struct site_element *e = &r->panels[panel];
    if (p->fed_by < 0)
        return;
    const struct site_circuit *feeder = &s->circuits[p->fed_by];
    if (feeder->panel == (int)panel) {
        field_error(r->file, line_of(e, "fed_by"),
                    "panel \"%s\" is fed by \"%s\", a breaker of its own; name the breaker in "
                    "the panel "
                    "before it",
                    p->id, feeder->id);
        return;
    }
    for (size_t other = 0; other < panel; other++)
        if (s->panels[other].fed_by == p->fed_by)
            field_error(r->file, line_of(e, "fed_by"),
                        "circuit \"%s\" already feeds panel \"%s\"; describe panels on one "
                        "feeder as one "
                        "panel",
                        feeder->id, s->panels[other].id);
    const struct site_element *f = &r->circuits[p->fed_by];
    /* NEC 408.36: a panelboard is protected at no more than its rating, by its own main or
     * before it */
    if (site_key(e, PANEL_RATING) && site_key(f, CIRCUIT_BREAKER) &&
        feeder->breaker_amps > p->rating_amps)
        field_warning(
            r->file, line_of(e, "rating_amps"),
            "panel \"%s\" is rated %.10g A and fed by a breaker of %.10g A; it needs a main of "
            "its own or a smaller feeder breaker",
            p->id, p->rating_amps, feeder->breaker_amps);
    if (site_key(e, PANEL_LEGS) && !(f->keys.faulty & FIELD_BIT(CIRCUIT_POLES)) &&
        p->legs > feeder->poles)
        field_warning(
            r->file, line_of(e, "legs"),
            "panel \"%s\" has %d legs and its feeder \"%s\" has %d pole%s; one pole a leg",
            p->id, p->legs, feeder->id, feeder->poles, feeder->poles == 1 ? "" : "s");
}

/* Names a loop once, at the first of its panels. */
static void check_loop(const struct site_reading *r, size_t panel)
{
    const struct site *s = r->site;
    struct text way = TEXT_INIT;
    text_printf(&way, "%s", s->panels[panel].id);
    int at = panel_above(s, (int)panel);
    for (size_t steps = 0; at > (int)panel && steps < s->panel_count; steps++) {
        text_printf(&way, ", %s", s->panels[at].id);
        at = panel_above(s, at);
    }
    bool closed =
        at == (int)panel && panel_above(s, at) != at; /* its own breaker: check_feeder */
    if (closed)
        field_error(r->file, line_of(&r->panels[panel], "fed_by"),
                    "the feeders go round in a circle (%s, %s); one of these panels is fed "
                    "from outside",
                    text_get(&way), s->panels[panel].id);
    text_free(&way);
}

/* ---- breakers
 * -------------------------------------------------------------------------------- */

static void check_rating(const struct site_reading *r, const struct site_element *e,
                         const struct site_circuit *c)
{
    enum site_standard mine = r->site->standard;
    enum site_standard other = mine == SITE_UL489 ? SITE_IEC60898 : SITE_UL489;
    if (!site_key(e, CIRCUIT_BREAKER) || !(r->keys.given & FIELD_BIT(SITE_STANDARD)) ||
        rating_is_standard(mine, c->breaker_amps))
        return;
    double below, above;
    char nearest[80];
    rating_neighbours(mine, c->breaker_amps, &below, &above);
    if (below > c->breaker_amps || above < c->breaker_amps)
        snprintf(nearest, sizeof nearest, "the nearest is %.10g",
                 below > c->breaker_amps ? below : above);
    else
        snprintf(nearest, sizeof nearest, "the nearest are %.10g and %.10g", below, above);
    /* A rating of the other standard's list, or one of the small ones that IEC breakers are
     * sold in too, exists as hardware; any other is most likely a slip of the pen. */
    bool exists = rating_is_standard(other, c->breaker_amps) ||
                  (mine == SITE_IEC60898 && c->breaker_amps < 6.0);
    (exists ? field_warning
            : field_error)(r->file, line_of(e, "breaker_amps"),
                           "breaker_amps = %.10g is no standard rating of %s; %s",
                           c->breaker_amps, rating_source(mine), nearest);
}

static void check_type(const struct site_reading *r, const struct site_element *e,
                       const struct site_circuit *c)
{
    if ((e->keys.faulty & FIELD_BIT(CIRCUIT_TYPE)) ||
        !(r->keys.given & FIELD_BIT(SITE_STANDARD)))
        return;
    if (r->site->standard == SITE_IEC60898 && !c->type)
        field_error(r->file, line_of(e, "type"),
                    "circuit \"%s\" has no type; a breaker to IEC60898 is type \"B\", \"C\" or "
                    "\"D\" (the "
                    "letter before the amps on its front)",
                    c->id);
    if (r->site->standard == SITE_UL489 && c->type)
        field_error(r->file, line_of(e, "type"),
                    "type = \"%c\" is for breakers to IEC60898; with standard = \"UL489\" "
                    "leave it \"\"",
                    c->type);
}

/* the leg letter that stands twice, '\0' for none */
static char repeated(const char *leg)
{
    for (; *leg; leg++)
        if (strchr(leg + 1, *leg))
            return *leg;
    return '\0';
}

static void check_leg_letters(const struct site_reading *r, const struct site_element *e,
                              const struct site_circuit *c, const struct site_panel *p)
{
    static const char *const allowed[] = {"", "A", "AB", "ABC"};
    static const char *const said[] = {"", "leg A only", "the legs A and B",
                                       "the legs A, B and C"};
    int line = line_of(e, "leg");
    size_t named = strlen(c->leg);
    if (strspn(c->leg, allowed[p->legs]) != named)
        field_error(r->file, line, "leg = \"%s\": panel \"%s\" has %s", c->leg, p->id,
                    said[p->legs]);
    else if (named != (size_t)c->poles)
        field_error(r->file, line,
                    "leg = \"%s\" names %zu leg%s and poles = %d; one letter a pole", c->leg,
                    named, named == 1 ? "" : "s", c->poles);
    else if (repeated(c->leg))
        field_error(r->file, line,
                    "leg = \"%s\" names leg %c twice; each pole is on a leg of its own", c->leg,
                    repeated(c->leg));
}

/* Sets the legs that nobody named where there is no choice. */
static void check_legs(const struct site_reading *r, const struct site_element *e,
                       struct site_circuit *c, const struct site_panel *p)
{
    if (c->poles > p->legs)
        field_error(
            r->file, line_of(e, "poles"),
            "poles = %d, but panel \"%s\" has %d leg%s; the pole of the neutral is not counted",
            c->poles, p->id, p->legs, p->legs == 1 ? "" : "s");
    else if (site_key(e, CIRCUIT_LEG))
        check_leg_letters(r, e, c, p);
    else if (c->poles == p->legs)
        snprintf(c->leg, sizeof c->leg, "%.*s", c->poles, "ABC");
    else if (!(e->keys.faulty & FIELD_BIT(CIRCUIT_LEG)))
        field_error(
            r->file, line_of(e, "leg"),
            "circuit \"%s\" has no leg; panel \"%s\" has %d, say which with leg = \"A\"%s",
            c->id, p->id, p->legs, p->legs == 3 ? ", \"B\" or \"C\"" : " or \"B\"");
}

static void check_breaker(const struct site_reading *r, size_t circuit)
{
    struct site_circuit *c = &r->site->circuits[circuit];
    const struct site_element *e = &r->circuits[circuit];
    check_rating(r, e, c);
    check_type(r, e, c);
    if (c->panel < 0)
        return;
    const struct site_panel *p = &r->site->panels[c->panel];
    const struct site_element *pe = &r->panels[c->panel];
    if (site_key(e, CIRCUIT_BREAKER) && site_key(pe, PANEL_RATING) &&
        c->breaker_amps > p->rating_amps)
        field_error(
            r->file, line_of(e, "breaker_amps"),
            "breaker_amps = %.10g is more than panel \"%s\" is rated for (rating_amps = %.10g)",
            c->breaker_amps, p->id, p->rating_amps);
    if (site_key(pe, PANEL_LEGS) && !(e->keys.faulty & FIELD_BIT(CIRCUIT_POLES)))
        check_legs(r, e, c, p);
}

/* ---- positions
 * ------------------------------------------------------------------------------- */

struct taken {
    struct place place;
    size_t circuit;
};

static bool places_of(const struct site_reading *r, size_t circuit,
                      struct place places[POSITION_MAX_PLACES], int *count)
{
    const struct site_circuit *c = &r->site->circuits[circuit];
    const struct site_element *e = &r->circuits[circuit];
    if (!site_key(e, CIRCUIT_POSITION) || (e->keys.faulty & FIELD_BIT(CIRCUIT_POLES)))
        return false;
    *count = position_parse(c->position, c->poles, places);
    if (*count == 0)
        field_error(r->file, line_of(e, "position"),
                    "position = \"%s\" is no position; write \"7\", for two poles \"7,9\", for "
                    "half a place "
                    "\"7A\"",
                    c->position);
    else if (*count < 0)
        field_error(r->file, line_of(e, "position"),
                    "position = \"%s\" does not go with poles = %d; name one place a pole",
                    c->position, c->poles);
    return *count > 0 && c->panel >= 0;
}

static void check_place(const struct site_reading *r, size_t circuit, const struct place *place,
                        const struct taken *taken, size_t count)
{
    const struct site *s = r->site;
    const struct site_circuit *c = &s->circuits[circuit];
    for (size_t i = 0; i < count; i++) {
        const struct site_circuit *other = &s->circuits[taken[i].circuit];
        if (other->panel != c->panel || !position_clashes(&taken[i].place, place))
            continue;
        char half[2] = {place->half, '\0'};
        field_error(
            r->file, line_of(&r->circuits[circuit], "position"),
            "position %s%d%s of panel \"%s\" is already taken by circuit \"%s\" (line %d); two "
            "breakers cannot sit on one place",
            place->prefix, place->number, half, s->panels[c->panel].id, other->id,
            line_of(&r->circuits[taken[i].circuit], "position"));
        return;
    }
}

static void check_positions(const struct site_reading *r)
{
    size_t count = 0;
    struct taken *taken =
        calloc(r->site->circuit_count * POSITION_MAX_PLACES + 1, sizeof *taken);
    if (!taken) {
        field_error(r->file, 0, "memory is short");
        return;
    }
    for (size_t i = 0; i < r->site->circuit_count; i++) {
        struct place places[POSITION_MAX_PLACES];
        int n;
        if (!places_of(r, i, places, &n))
            continue;
        size_t before = count; /* not against itself */
        for (int k = 0; k < n; k++) {
            check_place(r, i, &places[k], taken, before);
            taken[count++] = (struct taken){places[k], i};
        }
    }
    free(taken);
}

/* ---- what a circuit feeds
 * -------------------------------------------------------------------- */

#define FASTENED_PERCENT 50.0 /* NEC 210.23(B)(2), 210.23(A)(2) before 2023 */
#define FASTENED_MOST_AMPS 20.0

static void check_fastened(const struct site_reading *r, size_t circuit)
{
    const struct site_circuit *c = &r->site->circuits[circuit];
    const struct site_element *e = &r->circuits[circuit];
    double most = 0.01 * FASTENED_PERCENT * c->breaker_amps;
    if (!site_key(e, CIRCUIT_FASTENED))
        return;
    if (c->feeds != SITE_FEEDS_SEVERAL)
        field_warning(r->file, line_of(e, "fastened_amps"),
                      "fastened_amps = %.10g says nothing without feeds = \"several_outlets\"; "
                      "on a circuit of its own an appliance may draw what the breaker allows",
                      c->fastened_amps);
    else if (r->site->standard == SITE_UL489 && c->breaker_amps <= FASTENED_MOST_AMPS &&
             c->fastened_amps > most)
        field_warning(r->file, line_of(e, "fastened_amps"),
                      "fastened_amps = %.10g on a breaker of %.10g A that serves other outlets "
                      "too; NEC 210.23 allows %.0f %%, %.10g A: it needs a circuit of its own",
                      c->fastened_amps, c->breaker_amps, FASTENED_PERCENT, most);
}

/* ---- shared neutrals
 * ------------------------------------------------------------------------- */

static void check_neutral(const struct site_reading *r, size_t circuit)
{
    const struct site *s = r->site;
    const struct site_circuit *c = &s->circuits[circuit];
    const struct site_element *e = &r->circuits[circuit];
    if (!site_key(e, CIRCUIT_NEUTRAL_GROUP))
        return;
    size_t others = 0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *o = &s->circuits[i];
        if (i == circuit || strcmp(o->neutral_group, c->neutral_group) != 0)
            continue;
        others++;
        if (i > circuit || c->panel < 0 || o->panel < 0)
            continue;
        if (o->panel != c->panel)
            field_error(r->file, line_of(e, "neutral_group"),
                        "neutral_group = \"%s\" is also that of \"%s\" in another panel; a "
                        "neutral is shared "
                        "within one panel",
                        c->neutral_group, o->id);
        else if (strpbrk(c->leg, o->leg))
            field_warning(r->file, line_of(e, "neutral_group"),
                          "\"%s\" and \"%s\" share a neutral on the same leg, so it carries "
                          "their sum and no breaker protects it; a multiwire branch circuit "
                          "has a voltage between its legs (NEC Article 100, 210.4): one of "
                          "them belongs on another leg",
                          c->id, o->id);
    }
    if (others == 0)
        field_warning(
            r->file, line_of(e, "neutral_group"),
            "neutral_group = \"%s\" has no second circuit; give the circuit that shares the "
            "neutral the same word",
            c->neutral_group);
}

void site_wiring_check(const struct site_reading *r)
{
    const struct site *s = r->site;
    check_ids(r, "panel", s->panels, s->panel_count, sizeof *s->panels, r->panels);
    check_ids(r, "bus", s->buses, s->bus_count, sizeof *s->buses, r->buses);
    check_ids(r, "meter", s->meters, s->meter_count, sizeof *s->meters, r->meters);
    check_ids(r, "circuit", s->circuits, s->circuit_count, sizeof *s->circuits, r->circuits);
    check_ids_across(r);
    for (size_t i = 0; i < s->panel_count; i++) {
        check_feeder(r, i);
        check_loop(r, i);
    }
    for (size_t i = 0; i < s->circuit_count; i++)
        check_breaker(r, i);
    check_positions(r);
    for (size_t i = 0; i < s->circuit_count; i++) {
        check_fastened(r, i);
        check_neutral(r, i);
    }
}
