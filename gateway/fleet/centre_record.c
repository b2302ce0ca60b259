#include "centre_record.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

#define KEY "access"
#define MOST_HEX ((size_t)4 * 1024 * 1024)

struct loading {
    struct access *access;
    bool good;
};

static bool load(void *context, const struct sql_value *row)
{
    struct loading *l = context;
    const char *hex = sql_as_words(&row[0]);
    size_t n = strlen(hex), length = 0;
    uint8_t *bytes = n < MOST_HEX ? malloc(n / 2 + 1) : NULL;
    l->good = bytes && sodium_hex2bin(bytes, n / 2 + 1, hex, n, NULL, &length, NULL) == 0 &&
              access_load(l->access, &(struct codec_in){.at = bytes, .end = bytes + length});
    if (bytes)
        sodium_memzero(bytes, n / 2 + 1);
    free(bytes);
    return true;
}

enum sql_err centre_record_load(struct sql *s, struct access *a, bool *good)
{
    struct loading l = {.access = a, .good = true};
    enum sql_err err = sql_query(s, "SELECT hex FROM page_state WHERE key = '" KEY "'", NULL, 0,
                                 load, &l, NULL);
    *good = l.good;
    return err;
}

enum sql_err centre_record_save(struct sql *s, struct access *a)
{
    struct codec_out out = {0};
    access_save(a, &out);
    char *hex = out.failed ? NULL : malloc(2 * out.length + 1);
    enum sql_err err = SQL_ERR_MEMORY;
    if (hex) {
        sodium_bin2hex(hex, 2 * out.length + 1, out.bytes, out.length);
        const struct sql_value param = sql_words(hex);
        err = sql_query(s,
                        "INSERT INTO page_state (key, hex) VALUES ('" KEY "', $1)"
                        " ON CONFLICT (key) DO UPDATE SET hex = excluded.hex",
                        &param, 1, NULL, NULL, NULL);
        sodium_memzero(hex, 2 * out.length);
    }
    free(hex);
    if (out.bytes)
        sodium_memzero(out.bytes, out.length);
    codec_out_free(&out);
    return err;
}

enum sql_err centre_record_note(struct sql *s, const struct store_audit *a)
{
    const struct sql_value params[] = {
        sql_number(a->wall_ms), sql_words(a->who),     sql_words(a->role),  sql_words(a->way),
        sql_words(a->act),      sql_words(a->subject), sql_words(a->result)};
    static const struct sql_value most[] = {{.type = SQL_NUMBER, .number = CENTRE_AUDIT_MOST}};
    enum sql_err err = sql_query(s,
                                 "INSERT INTO audit (wall_ms, who, role, way, act, subject,"
                                 " result) VALUES ($1, $2, $3, $4, $5, $6, $7)",
                                 params, 7, NULL, NULL, NULL);
    if (err != SQL_FINE)
        return err;
    return sql_query(s, "DELETE FROM audit WHERE audit <= (SELECT max(audit) FROM audit) - $1",
                     most, 1, NULL, NULL, NULL);
}

struct handing {
    centre_audit_fn *fn;
    void *context;
};

static bool hand_on(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct store_audit a = {.wall_ms = sql_as_number(&row[1]),
                                  .who = sql_as_words(&row[2]),
                                  .role = sql_as_words(&row[3]),
                                  .way = sql_as_words(&row[4]),
                                  .act = sql_as_words(&row[5]),
                                  .subject = sql_as_words(&row[6]),
                                  .result = sql_as_words(&row[7])};
    return h->fn(h->context, sql_as_number(&row[0]), &a);
}

enum sql_err centre_record_read(struct sql *s, int64_t before, size_t most, centre_audit_fn *fn,
                                void *context)
{
    const struct sql_value params[] = {sql_number(before > 0 ? before : INT64_MAX),
                                       sql_number((int64_t)most)};
    return sql_query(s,
                     "SELECT audit, wall_ms, who, role, way, act, subject, result FROM audit"
                     " WHERE audit < $1 ORDER BY audit DESC LIMIT $2",
                     params, 2, hand_on, &(struct handing){fn, context}, NULL);
}
