#include "access.h"

#include "access_parts.h"

#include "base/text.h"
#include "model/event_json.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HOUR_MS INT64_C(3600000)
#define DAY_MS (24 * HOUR_MS)
#define PASSES 3 /* RFC 9106, section 4: with 64 MiB */

struct access *access_create(const struct delivery *d)
{
    struct access *a = sodium_init() < 0 ? NULL : calloc(1, sizeof *a);
    if (!a)
        return NULL;
    a->delivery = d;
    pthread_mutex_init(&a->lock, NULL);
    for (size_t i = 0; i < d->person_count; i++)
        text_copy(a->people[i].id, sizeof a->people[i].id, d->people[i].id);
    return a;
}

void access_destroy(struct access *a)
{
    if (!a)
        return;
    pthread_mutex_destroy(&a->lock);
    sodium_memzero(a, sizeof *a);
    free(a);
}

bool access_changed(struct access *a)
{
    pthread_mutex_lock(&a->lock);
    bool changed = a->changed;
    a->changed = false;
    pthread_mutex_unlock(&a->lock);
    return changed;
}

void access_life(enum delivery_role role, int64_t *idle_ms, int64_t *most_ms)
{
    bool administrator = role == ROLE_ADMINISTRATOR;
    *idle_ms = administrator ? 12 * HOUR_MS : 7 * DAY_MS;
    *most_ms = administrator ? 7 * DAY_MS : 30 * DAY_MS;
}

/* ---- looking up; all with the lock held ---- */

struct person *access_find_person(struct access *a, const char *id)
{
    int i = delivery_find_person(a->delivery, id);
    return i < 0 ? NULL : &a->people[i];
}

static struct visit *find_visit(struct access *a, const char *id)
{
    for (size_t i = 0; i < ACCESS_MOST_VISITS; i++)
        if (a->visits[i].id[0] && strcmp(a->visits[i].id, id) == 0)
            return &a->visits[i];
    return NULL;
}

static struct session *find_session(struct access *a, const uint8_t hash[CODE_HASH_BYTES])
{
    for (size_t i = 0; i < ACCESS_MOST_SESSIONS; i++)
        if (a->sessions[i].id[0] && code_same(a->sessions[i].hash, hash))
            return &a->sessions[i];
    return NULL;
}

static void drop_sessions(struct access *a, const char *id, const uint8_t *keep)
{
    for (size_t i = 0; i < ACCESS_MOST_SESSIONS; i++) {
        struct session *s = &a->sessions[i];
        if (s->id[0] && strcmp(s->id, id) == 0 && !(keep && code_same(s->hash, keep)))
            *s = (struct session){0};
    }
    a->changed = true;
}

/* whose session it is, and until when it lasts; false: nobody's any more */
static bool owner(struct access *a, const struct session *s, struct access_who *out)
{
    int64_t idle_ms, most_ms;
    int i = delivery_find_person(a->delivery, s->id);
    const struct visit *v = i < 0 ? find_visit(a, s->id) : NULL;
    if (i < 0 && !v)
        return false;
    out->role = v ? ROLE_ELECTRICIAN : (enum delivery_role)a->delivery->people[i].role;
    text_copy(out->id, sizeof out->id, s->id);
    snprintf(out->name, sizeof out->name, v ? "%s (visit)" : "%s",
             v ? v->name : a->delivery->people[i].name);
    access_life(out->role, &idle_ms, &most_ms);
    out->until_wall_ms = v ? v->until_wall_ms : s->began_wall_ms + most_ms;
    if (!v && s->seen_wall_ms + idle_ms < out->until_wall_ms)
        out->until_wall_ms = s->seen_wall_ms + idle_ms;
    return true;
}

static bool hash_token(const char *token, uint8_t out[CODE_HASH_BYTES])
{
    uint8_t bytes[(ACCESS_TOKEN_SIZE - 1) / 2];
    size_t n;
    if (strlen(token) != ACCESS_TOKEN_SIZE - 1 ||
        sodium_hex2bin(bytes, sizeof bytes, token, ACCESS_TOKEN_SIZE - 1, NULL, &n, NULL) ||
        n != sizeof bytes)
        return false;
    crypto_generichash(out, CODE_HASH_BYTES, bytes, sizeof bytes, NULL, 0);
    sodium_memzero(bytes, sizeof bytes);
    return true;
}

/* The token of a session's changes: another hash of its secret, so that no page of somebody
 * else's, and no record, can know it. */
static void make_csrf(const char *token, char out[ACCESS_CSRF_SIZE])
{
    static const uint8_t key[] = "foretrip: asks for a change"; /* 16 to 64 bytes */
    uint8_t bytes[(ACCESS_CSRF_SIZE - 1) / 2];
    crypto_generichash(bytes, sizeof bytes, (const uint8_t *)token, strlen(token), key,
                       sizeof key);
    sodium_bin2hex(out, ACCESS_CSRF_SIZE, bytes, sizeof bytes);
}

bool access_find(struct access *a, const char *token, int64_t wall_ms, struct access_who *out)
{
    uint8_t hash[CODE_HASH_BYTES];
    if (!hash_token(token, hash))
        return false;
    pthread_mutex_lock(&a->lock);
    struct session *s = find_session(a, hash);
    bool good = s && owner(a, s, out) && wall_ms < out->until_wall_ms;
    if (s && !good) {
        *s = (struct session){0};
        a->changed = true;
    }
    if (good) {
        s->seen_wall_ms = wall_ms;
        a->changed = a->changed || wall_ms - s->saved_wall_ms > HOUR_MS; /* think of the card */
        memcpy(out->session, hash, sizeof hash);
        make_csrf(token, out->token);
    }
    pthread_mutex_unlock(&a->lock);
    return good;
}

bool access_still(struct access *a, const uint8_t session[CODE_HASH_BYTES], int64_t wall_ms)
{
    struct access_who who;
    pthread_mutex_lock(&a->lock);
    const struct session *s = find_session(a, session);
    bool still = s && owner(a, s, &who) && wall_ms < who.until_wall_ms;
    pthread_mutex_unlock(&a->lock);
    return still;
}

/* ---- at the door ---- */

bool access_first_code(struct access *a, char out[CODE_SIZE])
{
    bool needed = true;
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < a->delivery->person_count; i++)
        if (a->delivery->people[i].role == ROLE_ADMINISTRATOR && a->people[i].password[0])
            needed = false;
    if (needed) {
        code_make(out);
        code_hash(out, a->first_code);
    }
    a->first = needed;
    pthread_mutex_unlock(&a->lock);
    return needed;
}

bool access_check_password(struct access *a, const char *person, const char *password)
{
    char hash[crypto_pwhash_STRBYTES];
    pthread_mutex_lock(&a->lock);
    const struct person *p = access_find_person(a, person);
    bool there = p && p->password[0];
    memcpy(hash, there ? p->password : a->nobody, sizeof hash);
    pthread_mutex_unlock(&a->lock);
    if (!hash[0]) { /* made when it is first needed: it takes as long as a check */
        static const char none[] = "";
        if (crypto_pwhash_str_alg(hash, none, 0, PASSES, ACCESS_PASSWORD_BYTES,
                                  crypto_pwhash_ALG_ARGON2ID13) != 0)
            return false;
        pthread_mutex_lock(&a->lock);
        memcpy(a->nobody, hash, sizeof a->nobody);
        pthread_mutex_unlock(&a->lock);
    }
    bool same = crypto_pwhash_str_verify(hash, password, strlen(password)) == 0;
    sodium_memzero(hash, sizeof hash);
    return there && same;
}

bool access_check_code(struct access *a, const char *person, const char *code, int64_t wall_ms)
{
    uint8_t hash[CODE_HASH_BYTES];
    if (!code_hash(code, hash))
        return false;
    pthread_mutex_lock(&a->lock);
    const struct person *p = access_find_person(a, person);
    int i = delivery_find_person(a->delivery, person);
    bool good = p && ((p->code_until_wall_ms > wall_ms && code_same(p->code, hash)) ||
                      (a->first && a->delivery->people[i].role == ROLE_ADMINISTRATOR &&
                       code_same(a->first_code, hash)));
    pthread_mutex_unlock(&a->lock);
    return good;
}

bool access_check_visit(struct access *a, const char *code, int64_t wall_ms,
                        char id[ACCESS_VISIT_ID_SIZE])
{
    uint8_t hash[CODE_HASH_BYTES];
    bool good = false;
    if (!code_hash(code, hash))
        return false;
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < ACCESS_MOST_VISITS && !good; i++) {
        const struct visit *v = &a->visits[i];
        good = v->id[0] && v->until_wall_ms > wall_ms && code_same(v->code, hash);
        if (good)
            text_copy(id, ACCESS_VISIT_ID_SIZE, v->id);
    }
    pthread_mutex_unlock(&a->lock);
    return good;
}

static bool refuse(char why[ACCESS_WHY_SIZE], const char *sentence)
{
    text_copy(why, ACCESS_WHY_SIZE, sentence);
    return false;
}

bool access_password_good(const char *person, const char *name, const char *password,
                          char why[ACCESS_WHY_SIZE])
{
    bool seen[256] = {false};
    size_t n = strlen(password), different = 0;
    if (n < ACCESS_PASSWORD_LEAST || n > ACCESS_PASSWORD_MOST)
        return refuse(why, "a password has 12 characters or more, and 256 bytes at the most; "
                           "some words in a row are good, and nobody asks for signs or digits");
    for (size_t i = 0; i < n; i++) {
        different += !seen[(unsigned char)password[i]];
        seen[(unsigned char)password[i]] = true;
    }
    if (different < 5)
        return refuse(why, "that password has fewer than 5 different characters");
    if (strstr(password, name) || (strlen(person) > 3 && strstr(password, person)))
        return refuse(why, "your own name is the first thing that others try");
    return true;
}

bool access_choose(struct access *a, const char *person, const char *password,
                   const uint8_t *keep)
{
    char hash[crypto_pwhash_STRBYTES];
    if (crypto_pwhash_str_alg(hash, password, strlen(password), PASSES, ACCESS_PASSWORD_BYTES,
                              crypto_pwhash_ALG_ARGON2ID13) != 0)
        return false;
    pthread_mutex_lock(&a->lock);
    struct person *p = access_find_person(a, person);
    if (p) {
        memcpy(p->password, hash, sizeof p->password);
        p->code_until_wall_ms = 0;
        int i = delivery_find_person(a->delivery, person);
        a->first = a->first && a->delivery->people[i].role != ROLE_ADMINISTRATOR;
        drop_sessions(a, person, keep);
    }
    pthread_mutex_unlock(&a->lock);
    sodium_memzero(hash, sizeof hash);
    return p != NULL;
}

bool access_begin(struct access *a, const char *id, const char *address, int64_t wall_ms,
                  char token[ACCESS_TOKEN_SIZE])
{
    uint8_t secret[(ACCESS_TOKEN_SIZE - 1) / 2];
    randombytes_buf(secret, sizeof secret);
    sodium_bin2hex(token, ACCESS_TOKEN_SIZE, secret, sizeof secret);
    pthread_mutex_lock(&a->lock);
    struct session *s = &a->sessions[0];
    bool there = access_find_person(a, id) || find_visit(a, id);
    for (size_t i = 0; i < ACCESS_MOST_SESSIONS && s->id[0]; i++)
        if (!a->sessions[i].id[0] || a->sessions[i].seen_wall_ms < s->seen_wall_ms)
            s = &a->sessions[i];
    if (there) {
        *s = (struct session){.began_wall_ms = wall_ms, .seen_wall_ms = wall_ms};
        crypto_generichash(s->hash, sizeof s->hash, secret, sizeof secret, NULL, 0);
        text_copy(s->id, sizeof s->id, id);
        text_copy(s->address, sizeof s->address, address);
        a->changed = true;
    }
    pthread_mutex_unlock(&a->lock);
    sodium_memzero(secret, sizeof secret);
    return there;
}

void access_end(struct access *a, const uint8_t session[CODE_HASH_BYTES])
{
    pthread_mutex_lock(&a->lock);
    struct session *s = find_session(a, session);
    if (s)
        *s = (struct session){0};
    a->changed = true;
    pthread_mutex_unlock(&a->lock);
}

/* ---- who lets others in ---- */

bool access_invite(struct access *a, const char *person, const uint8_t hash[CODE_HASH_BYTES],
                   int64_t until_wall_ms)
{
    pthread_mutex_lock(&a->lock);
    struct person *p = access_find_person(a, person);
    if (p) {
        memcpy(p->code, hash, sizeof p->code);
        p->code_until_wall_ms = until_wall_ms;
        a->changed = true;
    }
    pthread_mutex_unlock(&a->lock);
    return p != NULL;
}

void access_visit_id(char out[ACCESS_VISIT_ID_SIZE])
{
    static const char letters[] = "abcdefghjkmnpqrstvwxyz0123456789";
    int n = snprintf(out, ACCESS_VISIT_ID_SIZE, "visit-");
    for (int i = 0; i < 8; i++)
        out[n++] = letters[randombytes_uniform(32)];
    out[n] = '\0';
}

bool access_add_visit(struct access *a, const char *id, const char *name, const char *by,
                      const uint8_t hash[CODE_HASH_BYTES], int64_t wall_ms,
                      int64_t until_wall_ms)
{
    struct visit *v = NULL;
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < ACCESS_MOST_VISITS && !v; i++)
        if (!a->visits[i].id[0] || a->visits[i].until_wall_ms <= wall_ms)
            v = &a->visits[i];
    if (v) {
        *v = (struct visit){.until_wall_ms = until_wall_ms};
        text_copy(v->id, sizeof v->id, id);
        text_copy(v->name, sizeof v->name, name);
        text_copy(v->by, sizeof v->by, by);
        memcpy(v->code, hash, sizeof v->code);
        a->changed = true;
    }
    pthread_mutex_unlock(&a->lock);
    return v != NULL;
}

bool access_end_all(struct access *a, const char *id)
{
    pthread_mutex_lock(&a->lock);
    struct person *p = access_find_person(a, id);
    struct visit *v = find_visit(a, id);
    if (p)
        p->code_until_wall_ms = 0;
    if (v)
        *v = (struct visit){0};
    if (p || v)
        drop_sessions(a, id, NULL);
    pthread_mutex_unlock(&a->lock);
    return p || v;
}

/* sessions of one id: how many, and the last use */
static void count_sessions(const struct access *a, const char *id, json_t *o)
{
    int64_t seen = 0;
    int count = 0;
    for (size_t i = 0; i < ACCESS_MOST_SESSIONS; i++) {
        const struct session *s = &a->sessions[i];
        if (!s->id[0] || strcmp(s->id, id) != 0)
            continue;
        count++;
        seen = s->seen_wall_ms > seen ? s->seen_wall_ms : seen;
    }
    json_object_set_new(o, "sessions", json_integer(count));
    json_object_set_new(o, "seen_at", seen ? event_json_time(seen) : json_null());
}

static json_t *person_json(const struct access *a, size_t i, int64_t wall_ms)
{
    const struct delivery_person *d = &a->delivery->people[i];
    const struct person *p = &a->people[i];
    json_t *o = json_pack("{s:s, s:s, s:s, s:b}", "person", d->id, "name", d->name, "role",
                          delivery_role_name((enum delivery_role)d->role), "password",
                          p->password[0] != '\0');
    json_object_set_new(o, "code_until",
                        p->code_until_wall_ms > wall_ms ? event_json_time(p->code_until_wall_ms)
                                                        : json_null());
    count_sessions(a, d->id, o);
    return o;
}

json_t *access_json(struct access *a, int64_t wall_ms)
{
    json_t *people = json_array(), *visits = json_array();
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < a->delivery->person_count; i++)
        json_array_append_new(people, person_json(a, i, wall_ms));
    for (size_t i = 0; i < ACCESS_MOST_VISITS; i++) {
        const struct visit *v = &a->visits[i];
        if (!v->id[0] || v->until_wall_ms <= wall_ms)
            continue;
        json_t *o = json_pack("{s:s, s:s, s:s}", "visit", v->id, "name", v->name, "by", v->by);
        json_object_set_new(o, "until", event_json_time(v->until_wall_ms));
        count_sessions(a, v->id, o);
        json_array_append_new(visits, o);
    }
    pthread_mutex_unlock(&a->lock);
    return json_pack("{s:o, s:o}", "people", people, "visits", visits);
}
