#include "lockout.h"

#include "base/text.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>

static struct lockout_key *find(const struct lockout *l, const char *key)
{
    for (size_t i = 0; i < LOCKOUT_KEYS; i++)
        if (l->keys[i].key[0] && strcmp(l->keys[i].key, key) == 0)
            return (struct lockout_key *)&l->keys[i];
    return NULL;
}

int64_t lockout_wait_ms(const struct lockout *l, const char *key, int64_t mono_ms)
{
    const struct lockout_key *k = find(l, key);
    return k && k->until_mono_ms > mono_ms ? k->until_mono_ms - mono_ms : 0;
}

/* a free one, else the one that has not tried for the longest */
static struct lockout_key *take(struct lockout *l, const char *key)
{
    struct lockout_key *k = find(l, key);
    if (k)
        return k;
    k = &l->keys[0];
    for (size_t i = 0; i < LOCKOUT_KEYS && k->key[0]; i++)
        if (!l->keys[i].key[0] || l->keys[i].tried_mono_ms < k->tried_mono_ms)
            k = &l->keys[i];
    *k = (struct lockout_key){0};
    text_copy(k->key, sizeof k->key, key);
    return k;
}

int64_t lockout_failed(struct lockout *l, const char *key, int64_t mono_ms)
{
    struct lockout_key *k = take(l, key);
    if (mono_ms - k->tried_mono_ms > LOCKOUT_FORGET_MS)
        k->failed = 0;
    k->tried_mono_ms = mono_ms;
    if (++k->failed < LOCKOUT_FREE)
        return 0;
    int doublings = k->failed - LOCKOUT_FREE;
    int64_t wait =
        doublings < 20 ? LOCKOUT_FIRST_MS << doublings : LOCKOUT_MOST_MS; /* 2^20 is plenty */
    wait = wait < LOCKOUT_MOST_MS ? wait : LOCKOUT_MOST_MS;
    k->until_mono_ms = mono_ms + wait;
    return wait;
}

void lockout_good(struct lockout *l, const char *key)
{
    struct lockout_key *k = find(l, key);
    if (k)
        *k = (struct lockout_key){0};
}

void lockout_address_key(const char *address, char out[LOCKOUT_KEY_SIZE])
{
    struct in6_addr v6;
    text_copy(out, LOCKOUT_KEY_SIZE, address);
    if (inet_pton(AF_INET6, address, &v6) != 1 || IN6_IS_ADDR_V4MAPPED(&v6))
        return;
    memset(&v6.s6_addr[8], 0, 8);
    inet_ntop(AF_INET6, &v6, out, LOCKOUT_KEY_SIZE);
}
