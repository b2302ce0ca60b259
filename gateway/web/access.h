/*
 * access - who may come in: passwords, codes, visits, sessions.
 *
 * People are those of delivery.cfg and nobody else; here stands what must not be in a
 * configuration file. A person's password is kept as Argon2id (RFC 9106; libsodium's
 * crypto_pwhash), a code and a session's token as hashes. There is no default password: who has
 * none gets a one-time code (code.h) from an administrator, or by `foretrip people` at the
 * gateway, and chooses one. While no administrator has a password one code, made at the start
 * and said in the journal, lets an administrator choose.
 *
 * A visit is a code for somebody who is not one of people and comes for some hours: an
 * electrician.
 *
 * A session is 256 random bits in the browser's cookie. It ends by itself (access_life), by
 * logging out, by its visit's end, when its person leaves delivery.cfg, and, but for the one
 * that did it, when the password changes.
 *
 * Ownership  access_create .. access_destroy; borrows the delivery
 * Threads    safe. Argon2 runs outside of the lock, and takes a tenth of a second and
 *            ACCESS_PASSWORD_BYTES: access_check_password and access_choose belong to one
 *            thread
 */
#ifndef FORETRIP_WEB_ACCESS_H
#define FORETRIP_WEB_ACCESS_H

#include "code.h"

#include "base/codec.h"
#include "model/delivery.h"

#include <jansson.h>

#define ACCESS_TOKEN_SIZE 65     /* hexadecimal */
#define ACCESS_CSRF_SIZE 33      /* likewise */
#define ACCESS_PASSWORD_LEAST 12 /* bytes: our choice */
#define ACCESS_PASSWORD_MOST 256
#define ACCESS_PASSWORD_BYTES (UINT64_C(64) * 1024 * 1024)
#define ACCESS_MOST_SESSIONS 128 /* the one not seen for the longest goes */
#define ACCESS_MOST_VISITS 32
#define ACCESS_MOST_VISIT_MS (INT64_C(14) * 86400000)
#define ACCESS_INVITE_MS (INT64_C(7) * 86400000)
#define ACCESS_VISIT_ID_SIZE 24 /* "visit-" and eight letters */
#define ACCESS_WHY_SIZE 160

struct access;

/* Somebody who asks. */
struct access_who {
    enum delivery_role role;
    char id[SITE_ID_SIZE]; /* of the person, or of the visit; "": nobody asked */
    char name[SITE_NAME_SIZE + 16];
    char token[ACCESS_CSRF_SIZE]; /* what a change has to be asked with */
    uint8_t session[CODE_HASH_BYTES];
    int64_t until_wall_ms; /* the session's end at the latest */
};

struct access *access_create(const struct delivery *d);
void access_destroy(struct access *a); /* accepts NULL */

/* For the record. */
void access_save(struct access *a, struct codec_out *out);
/* Into a fresh one. False: damaged, and nobody has a password. */
bool access_load(struct access *a, struct codec_in *in);
/* Whether there is something to save since the last time this was asked. */
bool access_changed(struct access *a);

/* The code for the first administrator; false when there is a password already. */
bool access_first_code(struct access *a, char out[CODE_SIZE]);

/* How long a session of the role lasts: without being used, and at all. */
void access_life(enum delivery_role role, int64_t *idle_ms, int64_t *most_ms);

/* ---- whoever asks ---- */

/* Who comes with that token; false: nobody who may. Counts as use. */
bool access_find(struct access *a, const char *token, int64_t wall_ms, struct access_who *out);
/* Whether the session is still good. */
bool access_still(struct access *a, const uint8_t session[CODE_HASH_BYTES], int64_t wall_ms);

/* ---- at the door ---- */

/* Whether that is the person's password. Takes as long for a person who is not there. */
bool access_check_password(struct access *a, const char *person, const char *password);
/* The person whose one-time code that is, chosen among people by id; false: it is not. */
bool access_check_code(struct access *a, const char *person, const char *code, int64_t wall_ms);
/* The visit whose code that is. */
bool access_check_visit(struct access *a, const char *code, int64_t wall_ms,
                        char id[ACCESS_VISIT_ID_SIZE]);

/* A sentence when the password is none that should be taken. */
bool access_password_good(const char *person, const char *name, const char *password,
                          char why[ACCESS_WHY_SIZE]);
/* The person's password from now on; their code is used up, their sessions end but for `keep`
 * (may be NULL). False: memory is short. */
bool access_choose(struct access *a, const char *person, const char *password,
                   const uint8_t *keep);

/* A session for a person or a visit; its token, for the cookie. False: there is no such. */
bool access_begin(struct access *a, const char *id, const char *address, int64_t wall_ms,
                  char token[ACCESS_TOKEN_SIZE]);
void access_end(struct access *a, const uint8_t session[CODE_HASH_BYTES]);

/* ---- who lets others in ---- */

/* The code of a person from now on; their password stays until it is used. */
bool access_invite(struct access *a, const char *person, const uint8_t hash[CODE_HASH_BYTES],
                   int64_t until_wall_ms);
/* False: there are too many. */
bool access_add_visit(struct access *a, const char *id, const char *name, const char *by,
                      const uint8_t hash[CODE_HASH_BYTES], int64_t wall_ms,
                      int64_t until_wall_ms);
void access_visit_id(char out[ACCESS_VISIT_ID_SIZE]);
/* Every session and code of a person, or a visit for good. False: there is no such. */
bool access_end_all(struct access *a, const char *id);

/* {"people": [...], "visits": [...]}: without anything secret. */
json_t *access_json(struct access *a, int64_t wall_ms);

#endif
