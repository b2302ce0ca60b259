#include "let_in.h"

#include "admit.h"
#include "authority.h"
#include "enrolment.h"
#include "fleet_schema.h"

#include "base/clock.h"
#include "base/text.h"

#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SERVER_DAYS 825 /* browsers and phones take no longer ones: common practice */
#define HOUR_MS INT64_C(3600000)

struct asked {
    const char *const *words;
    int count;
    const struct let_in_options *o;
    const struct fleet_settings *settings;
    const char *directory; /* the authority's */
    const volatile sig_atomic_t *stop;
    struct sql *sql;
    struct authority *authority;
};

static int wrong(const char *sentence)
{
    fprintf(stderr, "%s\n", sentence);
    return 2;
}

static int failed(const char *why)
{
    fprintf(stderr, "%s\n", why);
    return 1;
}

static int sql_failed(const struct asked *a)
{
    return failed(sql_why(a->sql));
}

static const char *who(const struct let_in_options *o)
{
    const struct passwd *p = getpwuid(getuid());
    return o->by ? o->by : p ? p->pw_name : "somebody";
}

/* ---- the authority ---- */

static int make_authority(struct asked *a)
{
    char why[AUTHORITY_WHY_SIZE], pin[EST_PIN_SIZE], path[DELIVERY_PATH_SIZE];
    struct text names = TEXT_INIT;
    if (a->count < 1)
        return wrong("which names and addresses do gateways reach the centre by? "
                     "foretrip-fleet authority NAME..");
    for (int i = 0; i < a->count; i++)
        text_printf(&names, "%s%s", i ? " " : "", a->words[i]);
    a->authority = authority_open(a->directory, true, why);
    bool good = a->authority &&
                authority_certify_server(a->authority, text_get(&names), SERVER_DAYS, why);
    text_free(&names);
    if (!good)
        return failed(why);
    est_pin(authority_certificate(a->authority), pin);
    printf("the authority is in %s, its pin is %s\n", a->directory, pin);
    printf("for the broker: cafile %s\n",
           authority_path(a->authority, "ca.pem", path, sizeof path));
    printf("                crlfile %s\n",
           authority_path(a->authority, "crl.pem", path, sizeof path));
    printf("                certfile %s\n",
           authority_path(a->authority, "server.pem", path, sizeof path));
    printf("                keyfile %s\n",
           authority_path(a->authority, "server.key", path, sizeof path));
    return 0;
}

/* ---- codes ---- */

static int enrol(struct asked *a)
{
    const struct let_in_options *o = a->o;
    char pin[EST_PIN_SIZE], shown[EST_CODE_SIZE], until[CLOCK_RFC3339_SIZE];
    struct est_code code;
    if (a->count != 1 || !site_id_valid(a->words[0]))
        return wrong("which unit? foretrip-fleet enrol UNIT: its id, as site.cfg has it");
    double hours = o->hours > 0 ? o->hours : a->settings->admit.code_hours;
    if (hours > ENROLMENT_MOST_HOURS)
        return wrong("a code is good for 720 hours at the most");
    int64_t now = clock_wall_ms(), until_ms = now + (int64_t)(hours * (double)HOUR_MS);
    const struct enrolment_unit unit = {a->words[0], o->name ? o->name : "",
                                        o->building ? o->building : "", o->unit ? o->unit : ""};
    est_pin(authority_certificate(a->authority), pin);
    if (enrolment_make_code(a->sql, &unit, pin, who(o), now, until_ms, &code) != SQL_FINE)
        return sql_failed(a);
    est_code_write(&code, shown);
    clock_format_rfc3339(until_ms, until);
    printf("%s\n", shown);
    fprintf(stderr,
            "good once, for %s alone, until %s; it is not shown again. At the gateway:\n"
            "    foretrip enrol CODE https://THIS-CENTRE:%d --config DIR\n",
            a->words[0], until, a->settings->admit.port);
    return 0;
}

/* ---- lists ---- */

static bool put_certificate(void *context, const struct enrolment_certificate *x)
{
    char from[CLOCK_RFC3339_SIZE], until[CLOCK_RFC3339_SIZE], over[CLOCK_RFC3339_SIZE];
    int64_t now = clock_wall_ms();
    clock_format_rfc3339(x->issued_ms, from);
    clock_format_rfc3339(x->until_ms, until);
    clock_format_rfc3339(x->revoked_ms, over);
    printf("%-16s %-8s %.16s to %.16s  %s  by %s from %s", x->unit,
           x->revoked_ms > 0    ? "revoked"
           : x->until_ms <= now ? "ended"
                                : "good",
           from, until, x->serial, x->how, x->address);
    if (x->revoked_ms > 0)
        printf("  %.16s %s by %s", over, x->reason, x->by);
    printf("\n");
    ++*(int *)context;
    return true;
}

static bool put_code(void *context, const char *unit, int64_t until_ms, int64_t tries,
                     const char *by)
{
    char until[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(until_ms, until);
    printf("%-16s code     made by %s, good until %.16s, tried %lld times\n", unit, by, until,
           (long long)tries);
    ++*(int *)context;
    return true;
}

static int list(struct asked *a)
{
    int count = 0;
    if (a->count > 1)
        return wrong("foretrip-fleet certificates [UNIT]");
    if (enrolment_list(a->sql, a->count ? a->words[0] : NULL, put_certificate, &count) !=
            SQL_FINE ||
        (a->count == 0 &&
         enrolment_list_codes(a->sql, clock_wall_ms(), put_code, &count) != SQL_FINE))
        return sql_failed(a);
    if (count == 0)
        printf("nobody has been let in%s%s\n", a->count ? " as " : "",
               a->count ? a->words[0] : "");
    return 0;
}

static int revoke_them(struct asked *a)
{
    char why[AUTHORITY_WHY_SIZE];
    int64_t count = 0;
    if (a->count != 1)
        return wrong("whose? foretrip-fleet revoke UNIT, or the serial of one certificate");
    if (enrolment_revoke(a->sql, a->words[0], a->o->reason ? a->o->reason : "unspecified",
                         who(a->o), clock_wall_ms(), &count) != SQL_FINE)
        return sql_failed(a);
    if (!enrolment_write_crl(a->sql, a->authority, clock_wall_ms(), why))
        return failed(why);
    printf("%lld revoked; the broker knows when it has read crl.pem again\n", (long long)count);
    return count > 0 ? 0 : 1;
}

static int admit(struct asked *a)
{
    if (a->count != 0)
        return wrong("foretrip-fleet admit --config DIR");
    return admit_run(a->settings, a->directory, a->stop);
}

/* ---- which ---- */

static const struct {
    const char *name;
    int (*run)(struct asked *a);
    bool store, authority; /* opened before */
} verbs[] = {
    {"authority", make_authority, false, false},
    {"enrol", enrol, true, true},
    {"certificates", list, true, false},
    {"revoke", revoke_them, true, true},
    {"admit", admit, false, false},
};
#define VERBS (sizeof verbs / sizeof verbs[0])

bool let_in_is_verb(const char *verb)
{
    for (size_t i = 0; i < VERBS; i++)
        if (strcmp(verb, verbs[i].name) == 0)
            return true;
    return false;
}

static int prepared(struct asked *a, size_t v)
{
    char why[AUTHORITY_WHY_SIZE];
    if (verbs[v].authority && !(a->authority = authority_open(a->directory, false, why)))
        return failed(why);
    if (verbs[v].store && !(a->sql = sql_open(a->settings->database, why)))
        return failed(why);
    if (verbs[v].store && fleet_schema_migrate(a->sql) != SQL_FINE)
        return sql_failed(a);
    return verbs[v].run(a);
}

int let_in_run(const char *verb, const char *const *words, int count,
               const struct let_in_options *o, const struct fleet_settings *settings,
               const char *directory, const volatile sig_atomic_t *stop)
{
    char path[DELIVERY_PATH_SIZE];
    struct asked a = {.words = words,
                      .count = count,
                      .o = o,
                      .settings = settings,
                      .directory = path,
                      .stop = stop};
    snprintf(path, sizeof path, "%s/authority", directory);
    size_t v = 0;
    while (v + 1 < VERBS && strcmp(verb, verbs[v].name) != 0)
        v++;
    int rc = prepared(&a, v);
    sql_close(a.sql);
    authority_close(a.authority);
    return rc;
}
