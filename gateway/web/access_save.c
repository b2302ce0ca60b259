/* access.h: what is kept in the record, and read back. */
#include "access_parts.h"

#include <string.h>

#define VERSION 1

void access_save(struct access *a, struct codec_out *out)
{
    pthread_mutex_lock(&a->lock);
    codec_put_u8(out, VERSION);
    for (size_t i = 0; i < a->delivery->person_count; i++) {
        const struct person *p = &a->people[i];
        codec_put_u8(out, 'p');
        codec_put_string(out, p->id);
        codec_put_string(out, p->password);
        codec_put_bytes(out, p->code, sizeof p->code);
        codec_put_i64(out, p->code_until_wall_ms);
    }
    for (size_t i = 0; i < ACCESS_MOST_VISITS; i++) {
        const struct visit *v = &a->visits[i];
        if (!v->id[0])
            continue;
        codec_put_u8(out, 'v');
        codec_put_string(out, v->id);
        codec_put_string(out, v->name);
        codec_put_string(out, v->by);
        codec_put_bytes(out, v->code, sizeof v->code);
        codec_put_i64(out, v->until_wall_ms);
    }
    for (size_t i = 0; i < ACCESS_MOST_SESSIONS; i++) {
        struct session *s = &a->sessions[i];
        if (!s->id[0])
            continue;
        s->saved_wall_ms = s->seen_wall_ms;
        codec_put_u8(out, 's');
        codec_put_bytes(out, s->hash, sizeof s->hash);
        codec_put_string(out, s->id);
        codec_put_string(out, s->address);
        codec_put_i64(out, s->began_wall_ms);
        codec_put_i64(out, s->seen_wall_ms);
    }
    pthread_mutex_unlock(&a->lock);
}

static void get_hash(struct codec_in *in, uint8_t out[CODE_HASH_BYTES])
{
    for (size_t i = 0; i < CODE_HASH_BYTES; i++)
        out[i] = codec_get_u8(in);
}

/* a person who has gone from delivery.cfg is read and left out */
static void load_person(struct access *a, struct codec_in *in)
{
    struct person read = {0}, *p;
    codec_get_string(in, read.id, sizeof read.id);
    codec_get_string(in, read.password, sizeof read.password);
    get_hash(in, read.code);
    read.code_until_wall_ms = codec_get_i64(in);
    if (!in->failed && (p = access_find_person(a, read.id)))
        *p = read;
    sodium_memzero(&read, sizeof read);
}

static bool load_visit(struct codec_in *in, struct visit *v)
{
    codec_get_string(in, v->id, sizeof v->id);
    codec_get_string(in, v->name, sizeof v->name);
    codec_get_string(in, v->by, sizeof v->by);
    get_hash(in, v->code);
    v->until_wall_ms = codec_get_i64(in);
    return !in->failed;
}

static bool load_session(struct codec_in *in, struct session *s)
{
    get_hash(in, s->hash);
    codec_get_string(in, s->id, sizeof s->id);
    codec_get_string(in, s->address, sizeof s->address);
    s->began_wall_ms = codec_get_i64(in);
    s->seen_wall_ms = s->saved_wall_ms = codec_get_i64(in);
    return !in->failed;
}

static bool load_all(struct access *a, struct codec_in *in)
{
    size_t visits = 0, sessions = 0;
    if (codec_get_u8(in) != VERSION)
        return false;
    while (in->at < in->end && !in->failed) {
        uint8_t what = codec_get_u8(in);
        if (what == 'p')
            load_person(a, in);
        else if (what == 'v' && visits < ACCESS_MOST_VISITS)
            load_visit(in, &a->visits[visits++]);
        else if (what == 's' && sessions < ACCESS_MOST_SESSIONS)
            load_session(in, &a->sessions[sessions++]);
        else
            return false;
    }
    return !in->failed;
}

bool access_load(struct access *a, struct codec_in *in)
{
    pthread_mutex_lock(&a->lock);
    bool good = load_all(a, in);
    if (!good) {
        memset(a->visits, 0, sizeof a->visits);
        memset(a->sessions, 0, sizeof a->sessions);
        for (size_t i = 0; i < a->delivery->person_count; i++) {
            a->people[i].password[0] = '\0';
            a->people[i].code_until_wall_ms = 0;
        }
    }
    pthread_mutex_unlock(&a->lock);
    return good;
}
