/*
 * orders - work orders: what is to be done at a unit, by whom, until when, and what came of it.
 *
 *     open ---assign---> assigned ---done---> done
 *       |                 |   ^                 |
 *       +----cancel-------+   +--assign (another contractor, another time)
 *       v                                       |
 *     cancelled ---------reopen--> open <-------+
 *
 * A manager closes an open order too (somebody was there without one); a note may be written
 * at any time. Every step is kept with who took it. While an order is assigned, and until its
 * `until`, its contractor sees the unit; before and after they do not.
 *
 * With an order goes the unit's sheet as its gateway gave it when it was asked for: what the
 * contractor takes along. One that says what is on (ORDER_SHEET with loads) is forgotten when
 * the tenant takes the consent back.
 *
 * Units      wall clock in milliseconds
 * Ownership  texts of a row are borrowed for the call
 * Threads    as sql.h
 */
#ifndef FORETRIP_FLEET_ORDERS_H
#define FORETRIP_FLEET_ORDERS_H

#include "sql.h"

#include "model/event.h"
#include "model/site.h"

enum order_state { ORDER_OPEN, ORDER_ASSIGNED, ORDER_DONE, ORDER_CANCELLED };
#define ORDER_STATES 4
enum order_act {
    ORDER_MAKE,
    ORDER_ASSIGN,
    ORDER_FINISH,
    ORDER_REOPEN,
    ORDER_CANCEL,
    ORDER_NOTE,
    ORDER_ATTACH, /* the unit's sheet */
};
#define ORDER_ACTS 7

#define ORDER_TITLE_SIZE 201
#define ORDER_NOTE_SIZE 1001
#define ORDER_SHEET_MOST ((size_t)256 * 1024)
#define ORDER_WHY_SIZE 200
#define ORDER_MOST_MS (INT64_C(60) * 86400000) /* a job lasts so long at the most */

/* "open", "assign"; static storage */
const char *order_state_name(enum order_state s);
const char *order_act_name(enum order_act a);
bool order_state_read(const char *word, enum order_state *out);

/* Where an act leads from there; false: it cannot be done to an order that stands so. Pure. */
bool order_next(enum order_state at, enum order_act act, enum order_state *to);

struct order_new {
    const char *unit;         /* the site's id */
    const char *title;        /* what is to be done */
    const char *circuit;      /* "" for the unit as a whole */
    const char *trip, *alarm; /* what it was made from; "" */
    const char *note;
    int64_t due_ms; /* 0: none */
};

struct order_step {
    enum order_act act;
    int64_t number;
    const char *who, *role; /* name and role of whoever does it */
    const char *person;     /* ORDER_FINISH: id of a contractor, whose order it must be; "" */
    const char *note;
    const char *contractor;      /* ORDER_ASSIGN: id */
    const char *contractor_name; /* .. and name, for the history */
    int64_t until_ms;            /* ORDER_ASSIGN */
    const char *sheet;           /* ORDER_ATTACH: a JSON object */
    bool sheet_loads;            /* .. that says what is on */
};

/* ORDERS_REFUSED has a sentence in why: there is no such unit or order, or it does not stand
 * so. */
enum orders_err { ORDERS_FINE, ORDERS_UNKNOWN, ORDERS_REFUSED, ORDERS_STORE };

enum orders_err orders_make(struct sql *s, const struct order_new *n, const char *who,
                            const char *role, int64_t wall_ms, int64_t *number,
                            char why[ORDER_WHY_SIZE]);

/* One step, whole or not at all; of two at once the second is refused where it no longer
 * fits. */
enum orders_err orders_step(struct sql *s, const struct order_step *step, int64_t wall_ms,
                            char why[ORDER_WHY_SIZE]);

/* ---- reading ---- */

struct order {
    int64_t number;
    enum order_state state;
    const char *unit, *name, *building, *place; /* of the site */
    const char *title, *circuit, *trip, *alarm;
    const char *contractor; /* id; "" */
    int64_t made_ms, due_ms, until_ms, changed_ms, sheet_ms;
    bool sheet_loads;
    const char *sheet; /* "" in lists */
};
typedef bool order_fn(void *context, const struct order *o);

struct orders_wanted {
    const char *unit;       /* NULL: of all */
    const char *contractor; /* NULL: of all; else the jobs that they have at now_ms */
    bool standing;          /* open and assigned ones alone */
    int64_t now_ms;
    size_t most;
};

/* The newest first; those with a contractor by what is due. */
enum sql_err orders_read(struct sql *s, const struct orders_wanted *w, order_fn *fn,
                         void *context);
/* One, with its sheet. fn is not called when there is none. */
enum sql_err orders_one(struct sql *s, int64_t number, order_fn *fn, void *context);

struct order_told {
    int64_t wall_ms;
    const char *act, *who, *role, *note, *contractor;
};
typedef bool order_told_fn(void *context, const struct order_told *t);
/* What was done with it, in its order. */
enum sql_err orders_history(struct sql *s, int64_t number, order_told_fn *fn, void *context);

/* Whether the contractor has a job at the unit at that time. */
enum sql_err orders_may_see(struct sql *s, const char *contractor, const char *unit,
                            int64_t now_ms, bool *may);

#endif
