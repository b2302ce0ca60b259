#include "record.h"

#include "open_config.h"

#include "base/clock.h"
#include "base/text.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HOUR_MS INT64_C(3600000)
#define DAY_MS (24 * HOUR_MS)

void record_option_rows(struct record_options *o, struct option_row rows[RECORD_OPTIONS])
{
    *o = (struct record_options){0};
    rows[0] = (struct option_row){.name = "config", .value = &o->config, .needed = true};
    rows[1] = (struct option_row){.name = "database", .value = &o->database};
    rows[2] = (struct option_row){.name = "from", .value = &o->from};
    rows[3] = (struct option_row){.name = "to", .value = &o->to};
}

int64_t record_from_local(const struct site *s, int64_t local_ms)
{
    /* the zone as it is at that moment, by a first guess and a better one */
    int64_t t = local_ms - clock_utc_offset_seconds(s->timezone, local_ms) * INT64_C(1000);
    return local_ms - clock_utc_offset_seconds(s->timezone, t) * INT64_C(1000);
}

bool record_time(const struct site *s, const char *text, int64_t *wall_ms)
{
    int year, month, day, used = 0;
    if (sscanf(text, "%4d-%2d-%2d%n", &year, &month, &day, &used) == 3 && used == 10 &&
        !text[10]) {
        int64_t days = month < 1 || month > 12 ? 0 : clock_days_from_date(year, month, day);
        int y, m, d;
        clock_date_from_days(days, &y, &m, &d);
        *wall_ms = record_from_local(s, days * DAY_MS);
        return y == year && m == month && d == day; /* there is no 31st of February */
    }
    return clock_parse(text, strlen(text), wall_ms);
}

int64_t record_duration(const char *text)
{
    char *unit;
    double n = strtod(text, &unit);
    int64_t ms = 0;
    if (strcmp(unit, "s") == 0)
        ms = 1000;
    else if (strcmp(unit, "m") == 0)
        ms = 60000;
    else if (strcmp(unit, "h") == 0)
        ms = HOUR_MS;
    else if (strcmp(unit, "d") == 0)
        ms = DAY_MS;
    return n > 0.0 && n < 1e6 ? (int64_t)(n * (double)ms) : 0;
}

bool record_ok(const struct record *r, const char *verb, enum store_err err)
{
    if (err == STORE_ERR_IO)
        fprintf(stderr,
                "foretrip %s: %s cannot be read, or is of an older version that the gateway "
                "has not "
                "opened yet\n",
                verb, r->path);
    else if (err)
        fprintf(stderr, "foretrip %s: %s: %s\n", verb, r->path, store_strerror(err));
    return err == STORE_OK;
}

static bool take_time(const struct record *r, const char *verb, const char *name,
                      const char *text, int64_t *wall_ms)
{
    if (!text || record_time(&r->config.site, text, wall_ms))
        return true;
    fprintf(stderr,
            "foretrip %s: --%s: \"%s\" is neither a date (2026-01-31) nor RFC 3339 "
            "(2026-01-31T18:00:00Z) nor Unix seconds\n",
            verb, name, text);
    return false;
}

static enum exit_code take_span(struct record *r, const char *verb,
                                const struct record_options *o)
{
    if (!take_time(r, verb, "from", o->from, &r->from) ||
        !take_time(r, verb, "to", o->to, &r->to))
        return EXIT_USAGE;
    if (r->from < r->to || (!o->from && !o->to))
        return EXIT_GOOD;
    fprintf(stderr, "foretrip %s: the span ends before it begins\n", verb);
    return EXIT_USAGE;
}

/* the service's; of other directories nobody knows where their gateway keeps its record */
static bool is_services(const char *directory)
{
    char *whole = realpath(directory, NULL);
    bool is = whole && strcmp(whole, SERVICE_CONFIG) == 0;
    free(whole);
    return is;
}

bool record_find(const char *verb, const char *config, const char *database,
                 char path[RECORD_PATH_SIZE])
{
    snprintf(path, RECORD_PATH_SIZE, "%s%s", database ? database : config,
             database ? "" : "/foretrip.db");
    if (!database && access(path, F_OK) != 0 && is_services(config))
        snprintf(path, RECORD_PATH_SIZE, "%s", SERVICE_RECORD);
    if (access(path, R_OK) == 0)
        return true;
    fprintf(stderr, "foretrip %s: %s: %s%s\n", verb, path, strerror(errno),
            errno == ENOENT
                ? "; --database names the record, foretrip.db in the directory that "
                  "foretripd has as --state"
                : "");
    return false;
}

enum exit_code record_open(struct record *r, const char *verb, const struct record_options *o)
{
    *r = (struct record){0};
    if (!open_config(&r->config, o->config))
        return EXIT_BAD;
    enum exit_code code = EXIT_BAD;
    if (record_find(verb, o->config, o->database, r->path) &&
        (r->reader = store_reader_open(r->path)) != NULL &&
        record_ok(r, verb, history_ends(r->reader, &r->from, &r->to)))
        code = take_span(r, verb, o);
    if (code != EXIT_GOOD)
        record_close(r);
    return code;
}

enum exit_code record_open_config(struct record *r, const char *verb,
                                  const struct record_options *o)
{
    (void)verb;
    *r = (struct record){0};
    return open_config(&r->config, o->config) ? EXIT_GOOD : EXIT_BAD;
}

void record_close(struct record *r)
{
    store_reader_close(r->reader);
    config_free(&r->config);
    *r = (struct record){0};
}
