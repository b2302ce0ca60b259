#include "door.h"

#include "lockout.h"

#include "base/log.h"
#include "base/queue.h"
#include "model/event_json.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NOTES 256
#define MOST_TEXT 300

struct door {
    struct access *access;
    const struct delivery *delivery;
    door_may_fn *may;
    struct lockout lockout;
    struct queue *notes;
    bool full_said;
};

/* one ask on its way */
struct asking {
    struct door *door;
    const struct door_ask *ask;
    json_t *body;
    int64_t wall_ms, mono_ms;
    struct web_answer *out;
};

json_t *door_gateway_may(enum delivery_role role)
{
    json_t *may = json_array();
    for (int act = ACT_SEE; act < ACTS; act++)
        if (role_may(role, (enum act)act))
            json_array_append_new(may, json_string(act_name((enum act)act)));
    return may;
}

struct door *door_create(struct access *access, const struct delivery *d, door_may_fn *may)
{
    struct door *door = calloc(1, sizeof *door);
    if (!door)
        return NULL;
    door->access = access;
    door->delivery = d;
    door->may = may;
    door->notes = queue_create(NOTES);
    if (!door->notes) {
        free(door);
        return NULL;
    }
    return door;
}

void door_destroy(struct door *door)
{
    if (!door)
        return;
    for (void *left; (left = queue_pop(door->notes, 0));)
        free(left);
    queue_destroy(door->notes);
    free(door);
}

void door_session_json(bool login, const struct access_who *who, door_may_fn *may,
                       struct web_answer *out)
{
    json_t *o = json_pack("{s:b}", "login", login);
    json_object_set_new(o, "may", who ? may(who->role) : json_array());
    bool somebody = who && who->id[0];
    json_object_set_new(o, "person", somebody ? json_string(who->id) : json_null());
    json_object_set_new(o, "name", somebody ? json_string(who->name) : json_null());
    json_object_set_new(o, "role",
                        somebody ? json_string(delivery_role_name(who->role)) : json_null());
    json_object_set_new(o, "token", somebody ? json_string(who->token) : json_null());
    json_object_set_new(o, "until",
                        somebody ? event_json_time(who->until_wall_ms) : json_null());
    web_json(out, o);
    out->tag[0] = '\0';
}

/* ---- the audit log ---- */

static const char *name_of(const struct door *d, const char *id)
{
    int i = delivery_find_person(d->delivery, id);
    return i < 0 ? "" : d->delivery->people[i].name;
}

static const char *role_of(const struct door *d, const char *id)
{
    int i = delivery_find_person(d->delivery, id);
    return i < 0 ? "" : delivery_role_name((enum delivery_role)d->delivery->people[i].role);
}

/* who: "" takes whoever asks */
static void note(const struct asking *k, const char *who, const char *act, const char *subject,
                 const char *result)
{
    struct door_note *n = calloc(1, sizeof *n);
    const struct access_who *w = k->ask->who;
    if (!n)
        return;
    bool asker = !who[0];
    const char *name = asker ? w->name : name_of(k->door, who), *id = asker ? w->id : who;
    snprintf(n->who, sizeof n->who, name[0] ? "%s (%s)" : "%s%s", name, id);
    snprintf(n->way, sizeof n->way, "page %s", k->ask->address);
    text_copy(n->subject, sizeof n->subject, subject);
    text_copy(n->result, sizeof n->result, result);
    n->said = (struct store_audit){.wall_ms = k->wall_ms, .act = act};
    n->said.role = asker ? delivery_role_name(w->role) : role_of(k->door, who);
    bool taken = queue_push(k->door->notes, n);
    if (!taken) {
        free(n);
        if (!k->door->full_said)
            log_warning("page", "more is asked at the door than the log of it can take");
    }
    k->door->full_said = !taken;
}

bool door_take_note(struct door *door, struct door_note *out)
{
    struct door_note *n = queue_pop(door->notes, 0);
    if (!n)
        return false;
    *out = *n;
    free(n);
    out->said.who = out->who;
    out->said.way = out->way;
    out->said.subject = out->subject;
    out->said.result = out->result;
    return true;
}

/* ---- what comes ---- */

/* A text of the body; "" when it is not there. False having answered. */
static bool take(const struct asking *k, const char *member, bool needed, const char **out)
{
    const json_t *v = json_object_get(k->body, member);
    *out = "";
    if (!v && !needed)
        return true;
    if (!json_is_string(v) || json_string_length(v) > MOST_TEXT ||
        (needed && json_string_length(v) == 0)) {
        web_error(k->out, 400, "%s must be a text, of %d bytes at the most", member, MOST_TEXT);
        return false;
    }
    *out = json_string_value(v);
    return true;
}

/* Names that nobody has must not fill the table, nor the log. */
static void account_key(const struct door *d, const char *person, char out[LOCKOUT_KEY_SIZE])
{
    bool known = delivery_find_person(d->delivery, person) >= 0;
    snprintf(out, LOCKOUT_KEY_SIZE, "person %.50s", known ? person : "?");
}

static bool must_wait(const struct asking *k, const char *account)
{
    char address[LOCKOUT_KEY_SIZE];
    lockout_address_key(k->ask->address, address);
    int64_t a = lockout_wait_ms(&k->door->lockout, address, k->mono_ms);
    int64_t b = account ? lockout_wait_ms(&k->door->lockout, account, k->mono_ms) : 0;
    int64_t wait_seconds = ((a > b ? a : b) + 999) / 1000;
    if (wait_seconds == 0)
        return false;
    web_error(k->out, 429, "too many tries; the next one is looked at in %lld seconds",
              (long long)wait_seconds);
    k->out->retry_after = wait_seconds;
    return true;
}

static void refuse(const struct asking *k, const char *account, const char *who,
                   const char *act)
{
    char address[LOCKOUT_KEY_SIZE], result[ACCESS_WHY_SIZE] = "refused";
    lockout_address_key(k->ask->address, address);
    int64_t a = lockout_failed(&k->door->lockout, address, k->mono_ms);
    int64_t b = account ? lockout_failed(&k->door->lockout, account, k->mono_ms) : 0;
    int64_t wait = a > b ? a : b;
    /* whoever mistypes may type a password where the name goes: only known names are written */
    const char *named = delivery_find_person(k->door->delivery, who) >= 0 ? who : "?";
    if (wait > 0) {
        snprintf(result, sizeof result, "refused, and locked for %lld s",
                 (long long)(wait / 1000));
        log_warning("page", "tries in vain to log in from %s as %s: locked for %lld s",
                    k->ask->address, named, (long long)(wait / 1000));
    }
    note(k, named, act, "", result);
    web_error(k->out, 403,
              who[0] ? "that is not right: look at the name, and at the rest"
                     : "that is no code that is good at the moment");
}

static void good(const struct asking *k, const char *account)
{
    char address[LOCKOUT_KEY_SIZE];
    lockout_address_key(k->ask->address, address);
    lockout_good(&k->door->lockout, address);
    if (account)
        lockout_good(&k->door->lockout, account);
}

/* they are in: a session and its cookie */
static void let_in(const struct asking *k, const char *id, const char *act)
{
    char token[ACCESS_TOKEN_SIZE];
    struct access_who who;
    if (k->ask->who->id[0]) /* whoever was in with this browser before */
        access_end(k->door->access, k->ask->who->session);
    if (!access_begin(k->door->access, id, k->ask->address, k->wall_ms, token) ||
        !access_find(k->door->access, token, k->wall_ms, &who)) {
        web_error(k->out, 403, "that is no code that is good at the moment");
        return;
    }
    struct asking as = *k;
    struct door_ask ask = *k->ask;
    ask.who = &who;
    as.ask = &ask;
    note(&as, "", act, "", "");
    door_session_json(true, &who, k->door->may, k->out);
    int64_t idle_ms, most_ms;
    access_life(who.role, &idle_ms, &most_ms);
    int64_t left_ms = who.until_wall_ms - k->wall_ms; /* idle: it grows with use */
    snprintf(k->out->cookie, sizeof k->out->cookie,
             DOOR_COOKIE "=%s; Path=/; Max-Age=%lld; Secure; HttpOnly; SameSite=Strict", token,
             (long long)((left_ms >= idle_ms ? most_ms : left_ms) / 1000));
    sodium_memzero(token, sizeof token);
}

/* ---- the verbs ---- */

static void visit_in(const struct asking *k, const char *code)
{
    char id[ACCESS_VISIT_ID_SIZE];
    if (must_wait(k, NULL))
        return;
    if (!access_check_visit(k->door->access, code, k->wall_ms, id)) {
        refuse(k, NULL, "", "visit_login");
        return;
    }
    good(k, NULL);
    let_in(k, id, "visit_login");
}

static void login(const struct asking *k)
{
    const char *person, *password, *code;
    char account[LOCKOUT_KEY_SIZE];
    if (!take(k, "code", false, &code))
        return;
    if (code[0]) {
        visit_in(k, code);
        return;
    }
    if (!take(k, "person", true, &person) || !take(k, "password", true, &password))
        return;
    account_key(k->door, person, account);
    if (must_wait(k, account))
        return;
    if (!access_check_password(k->door->access, person, password)) {
        refuse(k, account, person, "login");
        return;
    }
    good(k, account);
    let_in(k, person, "login");
}

static bool chosen(const struct asking *k, const char *person, const char *password,
                   const uint8_t *keep)
{
    char why[ACCESS_WHY_SIZE];
    if (!access_password_good(person, name_of(k->door, person), password, why)) {
        web_error(k->out, 400, "%s", why);
        return false;
    }
    if (access_choose(k->door->access, person, password, keep))
        return true;
    web_error(k->out, 503, "memory is short, try again");
    return false;
}

static void choose(const struct asking *k)
{
    const char *person, *password, *code;
    char account[LOCKOUT_KEY_SIZE];
    if (!take(k, "person", true, &person) || !take(k, "password", true, &password) ||
        !take(k, "code", true, &code))
        return;
    account_key(k->door, person, account);
    if (must_wait(k, account))
        return;
    if (!access_check_code(k->door->access, person, code, k->wall_ms)) {
        refuse(k, account, person, "choose_password");
        return;
    }
    if (!chosen(k, person, password, NULL))
        return;
    good(k, account);
    let_in(k, person, "choose_password");
}

static void change_password(const struct asking *k)
{
    const struct access_who *w = k->ask->who;
    const char *old, *password;
    char account[LOCKOUT_KEY_SIZE];
    if (!take(k, "old", true, &old) || !take(k, "password", true, &password))
        return;
    account_key(k->door, w->id, account);
    if (must_wait(k, account))
        return;
    if (!access_check_password(k->door->access, w->id, old)) {
        refuse(k, account, w->id, "change_password");
        return;
    }
    good(k, account);
    if (!chosen(k, w->id, password, w->session))
        return;
    note(k, "", "change_password", "", "");
    web_json(k->out, json_pack("{s:b}", "ok", 1));
}

static void logout(const struct asking *k)
{
    access_end(k->door->access, k->ask->who->session);
    note(k, "", "logout", "", "");
    web_json(k->out, json_pack("{s:b}", "ok", 1));
    snprintf(k->out->cookie, sizeof k->out->cookie,
             DOOR_COOKIE "=; Path=/; Max-Age=0; Secure; HttpOnly; SameSite=Strict");
    k->out->forget = true;
}

static void answer_code(const struct asking *k, const char *member, const char *id,
                        const char *code, int64_t until_wall_ms)
{
    web_json(k->out, json_pack("{s:s, s:s, s:o}", member, id, "code", code, "until",
                               event_json_time(until_wall_ms)));
}

static void invite(const struct asking *k)
{
    const char *person;
    char code[CODE_SIZE];
    uint8_t hash[CODE_HASH_BYTES];
    int64_t until_wall_ms = k->wall_ms + ACCESS_INVITE_MS;
    if (!take(k, "id", true, &person))
        return;
    code_make(code);
    code_hash(code, hash);
    if (!access_invite(k->door->access, person, hash, until_wall_ms)) {
        web_error(k->out, 404, "there is no such person in delivery.cfg");
        return;
    }
    note(k, "", "invite", person, "");
    answer_code(k, "person", person, code, until_wall_ms);
}

static void visit(const struct asking *k)
{
    const char *name;
    const json_t *seconds = json_object_get(k->body, "seconds");
    int64_t lasts_seconds = json_is_integer(seconds) ? json_integer_value(seconds) : 0;
    char code[CODE_SIZE], id[ACCESS_VISIT_ID_SIZE];
    uint8_t hash[CODE_HASH_BYTES];
    if (!take(k, "name", true, &name))
        return;
    if (strlen(name) >= SITE_NAME_SIZE) {
        web_error(k->out, 400, "name is longer than %d bytes", SITE_NAME_SIZE - 1);
        return;
    }
    if (lasts_seconds < 900 || lasts_seconds > ACCESS_MOST_VISIT_MS / 1000) {
        web_error(k->out, 400, "seconds must be a whole number from 900 to %lld: a visit ends",
                  (long long)(ACCESS_MOST_VISIT_MS / 1000));
        return;
    }
    int64_t until_wall_ms = k->wall_ms + lasts_seconds * 1000;
    code_make(code);
    code_hash(code, hash);
    access_visit_id(id);
    if (!access_add_visit(k->door->access, id, name, k->ask->who->name, hash, k->wall_ms,
                          until_wall_ms)) {
        web_error(k->out, 409, "there are %d visits already; end one first",
                  ACCESS_MOST_VISITS);
        return;
    }
    note(k, "", "visit", name, "");
    answer_code(k, "visit", id, code, until_wall_ms);
}

static void end(const struct asking *k)
{
    const char *id;
    if (!take(k, "id", true, &id))
        return;
    if (!access_end_all(k->door->access, id)) {
        web_error(k->out, 404, "there is no such person, and no such visit");
        return;
    }
    note(k, "", "end_sessions", id, "");
    web_json(k->out, json_pack("{s:b}", "ok", 1));
}

void door_answer(struct door *door, const struct door_ask *ask, int64_t wall_ms,
                 int64_t mono_ms, struct web_answer *out)
{
    static const struct {
        const char *name;
        void (*function)(const struct asking *);
    } verbs[] = {{"login", login},   {"choose", choose}, {"password", change_password},
                 {"logout", logout}, {"invite", invite}, {"visit", visit},
                 {"end", end}};
    struct asking k = {
        .door = door, .ask = ask, .wall_ms = wall_ms, .mono_ms = mono_ms, .out = out};
    k.body = json_loadb(ask->body, ask->length, JSON_REJECT_DUPLICATES, NULL);
    web_error(out, 404, "there is nothing of that name");
    for (size_t i = 0; json_is_object(k.body) && i < sizeof verbs / sizeof verbs[0]; i++)
        if (strcmp(ask->verb, verbs[i].name) == 0) {
            web_answer_free(out);
            verbs[i].function(&k);
        }
    json_decref(k.body);
    out->tag[0] = '\0';
}
