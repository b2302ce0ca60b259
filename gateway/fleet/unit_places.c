#include "unit_places.h"

#include "csv.h"
#include "portfolio.h"

#include "model/site.h"

#include <stdio.h>
#include <string.h>

enum { UNIT, NAME, BUILDING, PLACE, COLUMNS };

static const char *const names[COLUMNS] = {"unit", "name", "building", "place"};

struct columns {
    int at[COLUMNS]; /* -1: not there */
};

static bool put_unit(void *context, const struct portfolio_unit *u)
{
    struct csv *c = context;
    csv_words(c, u->site.id);
    csv_words(c, u->site.name);
    csv_words(c, u->site.building);
    csv_words(c, u->site.unit);
    csv_end_line(c);
    return !c->out->failed;
}

enum sql_err unit_places_write(struct sql *s, struct text *out)
{
    struct csv c = {.out = out};
    csv_head(&c, names, COLUMNS);
    enum sql_err err = portfolio_units(s, 0, NULL, INT32_MAX, put_unit, &c);
    return err == SQL_FINE && out->failed ? SQL_ERR_MEMORY : err;
}

static bool read_head(struct csv_reader *r, struct columns *c, char why[UNIT_PLACES_WHY_SIZE])
{
    for (int i = 0; i < COLUMNS; i++)
        c->at[i] = -1;
    if (!csv_read_row(r, why, UNIT_PLACES_WHY_SIZE)) {
        if (!why[0])
            snprintf(why, UNIT_PLACES_WHY_SIZE, "the table is empty");
        return false;
    }
    for (size_t k = 0; k < r->count; k++)
        for (int i = 0; i < COLUMNS; i++)
            if (strcmp(csv_cell(r, k), names[i]) == 0)
                c->at[i] = (int)k;
    if (c->at[UNIT] >= 0)
        return true;
    snprintf(why, UNIT_PLACES_WHY_SIZE, "line %d names no column \"unit\"", r->line);
    return false;
}

/* what stands there now stays where the table has no such column */
struct now {
    bool there;
    char words[COLUMNS][SITE_NAME_SIZE];
};

static bool see_now(void *context, const struct portfolio_unit *u)
{
    struct now *n = context;
    n->there = true;
    text_copy(n->words[NAME], SITE_NAME_SIZE, u->site.name);
    text_copy(n->words[BUILDING], SITE_NAME_SIZE, u->site.building);
    text_copy(n->words[PLACE], SITE_NAME_SIZE, u->site.unit);
    return true;
}

static bool take_row(struct sql *s, const struct csv_reader *r, const struct columns *c,
                     char why[UNIT_PLACES_WHY_SIZE])
{
    const char *unit = csv_cell(r, (size_t)c->at[UNIT]);
    const struct portfolio_scope scope = {.site_id = unit};
    struct now now = {0};
    bool known = false;
    if (portfolio_units(s, 0, &scope, 1, see_now, &now) != SQL_FINE) {
        snprintf(why, UNIT_PLACES_WHY_SIZE, "%s", sql_why(s));
        return false;
    }
    if (!now.there) {
        snprintf(why, UNIT_PLACES_WHY_SIZE, "line %d: there is no unit \"%.60s\" here", r->line,
                 unit);
        return false;
    }
    for (int i = NAME; i < COLUMNS; i++)
        if (c->at[i] >= 0 &&
            !text_copy(now.words[i], SITE_NAME_SIZE, csv_cell(r, (size_t)c->at[i]))) {
            snprintf(why, UNIT_PLACES_WHY_SIZE, "line %d: \"%.40s..\" is longer than %d bytes",
                     r->line, now.words[i], SITE_NAME_SIZE - 1);
            return false;
        }
    if (portfolio_place(s, unit, now.words[NAME], now.words[BUILDING], now.words[PLACE],
                        &known) == SQL_FINE)
        return true;
    snprintf(why, UNIT_PLACES_WHY_SIZE, "%s", sql_why(s));
    return false;
}

bool unit_places_take(struct sql *s, const char *text, size_t *units,
                      char why[UNIT_PLACES_WHY_SIZE])
{
    struct csv_reader r = {.at = text};
    struct columns c;
    *units = 0;
    bool good = read_head(&r, &c, why);
    if (good && sql_begin(s) != SQL_FINE) {
        snprintf(why, UNIT_PLACES_WHY_SIZE, "%s", sql_why(s));
        csv_reader_free(&r);
        return false;
    }
    bool begun = good;
    while (good && csv_read_row(&r, why, UNIT_PLACES_WHY_SIZE)) {
        good = take_row(s, &r, &c, why);
        *units += good;
    }
    good = good && !why[0]; /* a row that could not be read */
    if (good && sql_commit(s) != SQL_FINE) {
        snprintf(why, UNIT_PLACES_WHY_SIZE, "%s", sql_why(s));
        good = false;
    } else if (begun && !good) {
        sql_rollback(s);
    }
    csv_reader_free(&r);
    if (!good)
        *units = 0;
    return good;
}
