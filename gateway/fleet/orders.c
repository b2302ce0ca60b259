#include "orders.h"

#include "base/text.h"

#include <stdio.h>
#include <string.h>

static const char *const state_names[ORDER_STATES] = {
    [ORDER_OPEN] = "open",
    [ORDER_ASSIGNED] = "assigned",
    [ORDER_DONE] = "done",
    [ORDER_CANCELLED] = "cancelled",
};

const char *order_state_name(enum order_state s)
{
    return state_names[s];
}

bool order_state_read(const char *word, enum order_state *out)
{
    for (int i = 0; i < ORDER_STATES; i++)
        if (strcmp(word, state_names[i]) == 0) {
            *out = (enum order_state)i;
            return true;
        }
    return false;
}

const char *order_act_name(enum order_act a)
{
    switch (a) {
    case ORDER_MAKE: return "make";
    case ORDER_ASSIGN: return "assign";
    case ORDER_FINISH: return "done";
    case ORDER_REOPEN: return "reopen";
    case ORDER_CANCEL: return "cancel";
    case ORDER_NOTE: return "note";
    case ORDER_ATTACH: return "attach";
    }
    return "?";
}

bool order_next(enum order_state at, enum order_act act, enum order_state *to)
{
    bool standing = at == ORDER_OPEN || at == ORDER_ASSIGNED;
    *to = at;
    switch (act) {
    case ORDER_MAKE: return false;
    case ORDER_NOTE: return true;
    case ORDER_ATTACH: return standing;
    case ORDER_ASSIGN: *to = ORDER_ASSIGNED; return standing;
    case ORDER_FINISH: *to = ORDER_DONE; return standing;
    case ORDER_CANCEL: *to = ORDER_CANCELLED; return standing;
    case ORDER_REOPEN: *to = ORDER_OPEN; return !standing;
    }
    return false;
}

/* ---- writing ---- */

static enum orders_err refuse(char why[ORDER_WHY_SIZE], const char *sentence)
{
    text_copy(why, ORDER_WHY_SIZE, sentence);
    return ORDERS_REFUSED;
}

static enum sql_err tell(struct sql *s, int64_t number, enum order_act act, const char *who,
                         const char *role, const char *note, const char *contractor,
                         int64_t wall_ms)
{
    const struct sql_value params[] = {
        sql_number(number), sql_number(wall_ms), sql_words(order_act_name(act)), sql_words(who),
        sql_words(role),    sql_words(note),     sql_words(contractor)};
    return sql_query(s,
                     "INSERT INTO order_steps (number, wall_ms, act, who, role, note,"
                     " contractor) VALUES ($1, $2, $3, $4, $5, $6, $7)",
                     params, 7, NULL, NULL, NULL);
}

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

/* ends the transaction; what was decided without the store stays */
static enum orders_err end(struct sql *s, enum sql_err err, enum orders_err decided)
{
    if (err == SQL_FINE && decided == ORDERS_FINE)
        err = sql_commit(s);
    else if (err == SQL_FINE)
        sql_rollback(s);
    return err == SQL_FINE ? decided : ORDERS_STORE;
}

enum orders_err orders_make(struct sql *s, const struct order_new *n, const char *who,
                            const char *role, int64_t wall_ms, int64_t *number,
                            char why[ORDER_WHY_SIZE])
{
    const struct sql_value params[] = {
        sql_words(n->unit),  sql_words(n->title), sql_words(n->circuit), sql_words(n->trip),
        sql_words(n->alarm), sql_number(wall_ms), sql_number(n->due_ms)};
    int64_t made = 0;
    if (!n->title[0])
        return refuse(why, "a work order says what is to be done");
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE)
        err = sql_query(s,
                        "INSERT INTO orders (site, state, title, circuit, trip, alarm, made_ms,"
                        " changed_ms, due_ms) SELECT site, 'open', $2, $3, $4, $5, $6, $6, $7"
                        " FROM sites WHERE id = $1 RETURNING number",
                        params, 7, see_number, &made, NULL);
    enum orders_err decided = made > 0 ? ORDERS_FINE : ORDERS_UNKNOWN;
    if (err == SQL_FINE && decided == ORDERS_FINE)
        err = tell(s, made, ORDER_MAKE, who, role, n->note, "", wall_ms);
    *number = made;
    return end(s, err, decided);
}

struct standing {
    bool there;
    enum order_state state;
    char contractor[SITE_ID_SIZE];
    int64_t until_ms;
};

static bool see_standing(void *context, const struct sql_value *row)
{
    struct standing *at = context;
    at->there = order_state_read(sql_as_words(&row[0]), &at->state);
    text_copy(at->contractor, sizeof at->contractor, sql_as_words(&row[1]));
    at->until_ms = sql_as_number(&row[2]);
    return true;
}

static enum orders_err judge(const struct order_step *k, const struct standing *at,
                             int64_t wall_ms, enum order_state *to, char why[ORDER_WHY_SIZE])
{
    if (!at->there)
        return ORDERS_UNKNOWN;
    if (k->person[0] && (at->state != ORDER_ASSIGNED || at->until_ms <= wall_ms ||
                         strcmp(k->person, at->contractor) != 0))
        return ORDERS_UNKNOWN; /* it is none of theirs, or no more */
    if (!order_next(at->state, k->act, to)) {
        snprintf(why, ORDER_WHY_SIZE, "the order is %s: that can not be done with it now",
                 order_state_name(at->state));
        return ORDERS_REFUSED;
    }
    if (k->act == ORDER_ASSIGN && !k->contractor[0])
        return refuse(why, "an order is assigned to one of the contractors");
    if (k->act == ORDER_ASSIGN &&
        (k->until_ms <= wall_ms || k->until_ms > wall_ms + ORDER_MOST_MS))
        return refuse(why, "until must be a time to come, within 60 days: a job ends");
    if (k->act == ORDER_NOTE && !k->note[0])
        return refuse(why, "a note has words");
    if (k->act == ORDER_ATTACH && strlen(k->sheet) > ORDER_SHEET_MOST)
        return refuse(why, "the sheet is longer than 256 KiB");
    return ORDERS_FINE;
}

static enum sql_err write_state(struct sql *s, const struct order_step *k, enum order_state to,
                                int64_t wall_ms)
{
    static const char assign[] =
        "UPDATE orders SET state = $2, changed_ms = $3, contractor = $4, until_ms = $5"
        " WHERE number = $1";
    static const char reopen[] = "UPDATE orders SET state = $2, changed_ms = $3,"
                                 " contractor = '', until_ms = 0 WHERE number = $1";
    static const char other[] =
        "UPDATE orders SET state = $2, changed_ms = $3 WHERE number = $1";
    static const char attach[] = "UPDATE orders SET state = $2, changed_ms = $3, sheet = $4,"
                                 " sheet_loads = $5, sheet_ms = $3 WHERE number = $1";
    struct sql_value params[5] = {sql_number(k->number), sql_words(order_state_name(to)),
                                  sql_number(wall_ms)};
    const char *text = other;
    size_t count = 3;
    if (k->act == ORDER_ASSIGN) {
        text = assign;
        params[3] = sql_words(k->contractor);
        params[4] = sql_number(k->until_ms);
        count = 5;
    } else if (k->act == ORDER_ATTACH) {
        text = attach;
        params[3] = sql_words(k->sheet);
        params[4] = sql_number(k->sheet_loads);
        count = 5;
    } else if (k->act == ORDER_REOPEN) {
        text = reopen;
    }
    return sql_query(s, text, params, count, NULL, NULL, NULL);
}

enum orders_err orders_step(struct sql *s, const struct order_step *k, int64_t wall_ms,
                            char why[ORDER_WHY_SIZE])
{
    static const struct sql_find mine = {
        "SELECT state, contractor, until_ms FROM orders WHERE number", "number", SQL_NUMBER};
    const struct sql_value key = sql_number(k->number);
    struct standing at = {0};
    enum order_state to = ORDER_OPEN;
    enum orders_err decided = ORDERS_FINE;
    why[0] = '\0';
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE) /* locked until the end: of two at once the second sees the first */
        err = sql_find(s, &mine, &key, 1, see_standing, &at);
    if (err == SQL_FINE)
        decided = judge(k, &at, wall_ms, &to, why);
    if (err == SQL_FINE && decided == ORDERS_FINE && k->act != ORDER_NOTE)
        err = write_state(s, k, to, wall_ms);
    if (err == SQL_FINE && decided == ORDERS_FINE)
        err = tell(s, k->number, k->act, k->who, k->role, k->note,
                   k->act == ORDER_ASSIGN ? k->contractor_name : "", wall_ms);
    return end(s, err, decided);
}

/* ---- reading ---- */

#define ORDER_COLUMNS                                                                          \
    "SELECT o.number, o.state, s.id, s.name, s.building, s.unit, o.title, o.circuit, o.trip,"  \
    " o.alarm, o.contractor, o.made_ms, o.due_ms, o.until_ms, o.changed_ms, o.sheet_ms,"       \
    " o.sheet_loads, "
#define ORDER_FROM " FROM orders o JOIN sites s ON s.site = o.site"
#define STANDING_FIRST " ORDER BY o.changed_ms DESC, o.number DESC LIMIT "

struct handing {
    union {
        order_fn *order;
        order_told_fn *told;
    };
    void *context;
};

static bool hand_order(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    struct order o = {.number = sql_as_number(&row[0]),
                      .unit = sql_as_words(&row[2]),
                      .name = sql_as_words(&row[3]),
                      .building = sql_as_words(&row[4]),
                      .place = sql_as_words(&row[5]),
                      .title = sql_as_words(&row[6]),
                      .circuit = sql_as_words(&row[7]),
                      .trip = sql_as_words(&row[8]),
                      .alarm = sql_as_words(&row[9]),
                      .contractor = sql_as_words(&row[10]),
                      .made_ms = sql_as_number(&row[11]),
                      .due_ms = sql_as_number(&row[12]),
                      .until_ms = sql_as_number(&row[13]),
                      .changed_ms = sql_as_number(&row[14]),
                      .sheet_ms = sql_as_number(&row[15]),
                      .sheet_loads = sql_as_number(&row[16]) != 0,
                      .sheet = sql_as_words(&row[17])};
    return !order_state_read(sql_as_words(&row[1]), &o.state) || h->order(h->context, &o);
}

enum sql_err orders_read(struct sql *s, const struct orders_wanted *w, order_fn *fn,
                         void *context)
{
    static const char theirs[] = ORDER_COLUMNS
        "''" ORDER_FROM " WHERE o.contractor = $1 AND o.state = 'assigned' AND o.until_ms > $2"
        " AND ($4 = '' OR s.id = $4)"
        " ORDER BY CASE WHEN o.due_ms = 0 THEN 1 ELSE 0 END, o.due_ms, o.number LIMIT $3";
    static const char standing[] = ORDER_COLUMNS
        "''" ORDER_FROM
        " WHERE o.state IN ('open', 'assigned') AND ($1 = '' OR s.id = $1)" STANDING_FIRST "$2";
    static const char all[] =
        ORDER_COLUMNS "''" ORDER_FROM " WHERE ($1 = '' OR s.id = $1)" STANDING_FIRST "$2";
    const char *unit = w->unit ? w->unit : "";
    struct handing h = {.order = fn, .context = context};
    if (w->contractor) {
        const struct sql_value params[] = {sql_words(w->contractor), sql_number(w->now_ms),
                                           sql_number((int64_t)w->most), sql_words(unit)};
        return sql_query(s, theirs, params, 4, hand_order, &h, NULL);
    }
    const struct sql_value params[] = {sql_words(unit), sql_number((int64_t)w->most)};
    return sql_query(s, w->standing ? standing : all, params, 2, hand_order, &h, NULL);
}

enum sql_err orders_one(struct sql *s, int64_t number, order_fn *fn, void *context)
{
    const struct sql_value param = sql_number(number);
    struct handing h = {.order = fn, .context = context};
    return sql_query(s, ORDER_COLUMNS "o.sheet" ORDER_FROM " WHERE o.number = $1", &param, 1,
                     hand_order, &h, NULL);
}

static bool hand_told(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct order_told t = {.wall_ms = sql_as_number(&row[0]),
                                 .act = sql_as_words(&row[1]),
                                 .who = sql_as_words(&row[2]),
                                 .role = sql_as_words(&row[3]),
                                 .note = sql_as_words(&row[4]),
                                 .contractor = sql_as_words(&row[5])};
    return h->told(h->context, &t);
}

enum sql_err orders_history(struct sql *s, int64_t number, order_told_fn *fn, void *context)
{
    const struct sql_value param = sql_number(number);
    struct handing h = {.told = fn, .context = context};
    return sql_query(s,
                     "SELECT wall_ms, act, who, role, note, contractor FROM order_steps"
                     " WHERE number = $1 ORDER BY step",
                     &param, 1, hand_told, &h, NULL);
}

enum sql_err orders_may_see(struct sql *s, const char *contractor, const char *unit,
                            int64_t now_ms, bool *may)
{
    const struct sql_value params[] = {sql_words(contractor), sql_words(unit),
                                       sql_number(now_ms)};
    int64_t jobs = 0;
    enum sql_err err =
        sql_query(s,
                  "SELECT count(*) FROM orders o JOIN sites s ON s.site = o.site"
                  " WHERE o.contractor = $1 AND s.id = $2 AND o.state = 'assigned'"
                  " AND o.until_ms > $3",
                  params, 3, see_number, &jobs, NULL);
    *may = err == SQL_FINE && jobs > 0;
    return err;
}
