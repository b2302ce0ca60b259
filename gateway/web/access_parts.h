/*
 * access_parts - the insides of access.h, for its own two files.
 */
#ifndef FORETRIP_WEB_ACCESS_PARTS_H
#define FORETRIP_WEB_ACCESS_PARTS_H

#include "access.h"

#include <pthread.h>
#include <sodium.h>

#define ADDRESS_SIZE 48

struct person {
    char id[SITE_ID_SIZE];
    char password[crypto_pwhash_STRBYTES]; /* "": none */
    uint8_t code[CODE_HASH_BYTES];
    int64_t code_until_wall_ms; /* 0: none */
};

struct visit {
    char id[ACCESS_VISIT_ID_SIZE]; /* "": free */
    char name[SITE_NAME_SIZE];
    char by[SITE_NAME_SIZE];
    uint8_t code[CODE_HASH_BYTES];
    int64_t until_wall_ms;
};

struct session {
    uint8_t hash[CODE_HASH_BYTES];
    char id[SITE_ID_SIZE]; /* whose; "": free */
    char address[ADDRESS_SIZE];
    int64_t began_wall_ms, seen_wall_ms;
    int64_t saved_wall_ms; /* seen, as the record has it */
};

struct access {
    pthread_mutex_t lock;
    const struct delivery *delivery;
    struct person people[DELIVERY_MAX_PEOPLE]; /* beside those of the delivery */
    struct visit visits[ACCESS_MOST_VISITS];
    struct session sessions[ACCESS_MOST_SESSIONS];
    bool first; /* the first code is good still */
    uint8_t first_code[CODE_HASH_BYTES];
    bool changed;
    char nobody[crypto_pwhash_STRBYTES]; /* a hash that no password has */
};

/* With the lock held. NULL when delivery.cfg has no such person. */
struct person *access_find_person(struct access *a, const char *id);

#endif
