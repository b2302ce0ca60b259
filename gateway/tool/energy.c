/* foretrip energy: kilowatt hours and what they cost, by circuit and day. */
#include "find.h"
#include "record.h"
#include "verbs.h"

#include "base/clock.h"
#include "store/energy.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLUMN_SIZE ((size_t)2 * SITE_ID_SIZE)

enum by { BY_DAY, BY_MONTH, BY_SPAN };

/* one circuit's, or the house's, sums in each period */
struct account {
    bool measured;         /* there are readings of it at all */
    bool by_amps;          /* some pole has no watts: amps times the nominal volts */
    struct energy_day *at; /* one a day, then one a period */
};

struct energy {
    const struct record *record;
    const struct site *site;
    const struct tariff *tariff;
    struct energy_span *span;
    struct history_bucket *quarters;
    struct account *circuits;
    struct account house;
    char *columns; /* those that were ever stored, each between newlines */
    enum by by;
    int32_t *period_of; /* a day's */
    size_t period_count;
    size_t *period_days;   /* how many days are in it */
    int64_t *period_begin; /* its first day */
    bool failed;
};

static int32_t offset_at(void *context, int64_t wall_ms)
{
    const struct energy *e = context;
    return clock_utc_offset_seconds(e->site->timezone, wall_ms);
}

/* ---- which readings ---- */

static bool take_column(void *context, const char *column)
{
    struct energy *e = context;
    size_t length = strlen(e->columns ? e->columns : ""), more = strlen(column);
    char *grown = realloc(e->columns, length + more + 3);
    if (!grown) {
        e->failed = true;
        return false;
    }
    e->columns = grown;
    snprintf(grown + length, more + 3, "%s%s\n", length ? "" : "\n", column);
    return true;
}

static bool has_column(const struct energy *e, const char *column)
{
    char line[2 * SITE_ID_SIZE + 2];
    snprintf(line, sizeof line, "\n%s\n", column);
    return e->columns && strstr(e->columns, line);
}

/* the pole's watts, else its amps and what to multiply them with; false: neither */
static bool column_of(const struct energy *e, const struct site_circuit *c, int pole,
                      char column[COLUMN_SIZE], double *scale)
{
    size_t poles = e->site->poles_total, at = (size_t)c->first_pole + (size_t)pole;
    *scale = 1.0;
    frame_column_name(e->site, (size_t)FRAME_WATTS * poles + at, column, COLUMN_SIZE);
    if (has_column(e, column))
        return true;
    *scale = e->site->nominal_volts;
    frame_column_name(e->site, (size_t)FRAME_AMPS * poles + at, column, COLUMN_SIZE);
    return has_column(e, column);
}

/* ---- adding up ---- */

static bool add_circuit(struct energy *e, size_t circuit)
{
    const struct site_circuit *c = &e->site->circuits[circuit];
    struct account *a = &e->circuits[circuit];
    char column[COLUMN_SIZE];
    a->at = calloc(e->span->day_count + 1, sizeof *a->at);
    if (!a->at)
        return false;
    for (int pole = 0; pole < c->poles; pole++) {
        double scale;
        if (!column_of(e, c, pole, column, &scale))
            continue;
        enum store_err err = history_buckets(e->record->reader, column, e->span->edges,
                                             e->span->count, HISTORY_EXACT, e->quarters);
        if (!record_ok(e->record, "energy", err))
            return false;
        a->measured = true;
        a->by_amps |= scale != 1.0;
        energy_add(e->span, e->tariff, e->quarters, scale, a->at);
    }
    return true;
}

/* a breaker above it is measured and has counted it already */
static bool counted_above(const struct energy *e, size_t circuit)
{
    int panel = e->site->circuits[circuit].panel;
    for (size_t n = 0; panel >= 0 && n < e->site->panel_count; n++) {
        int feeder = e->site->panels[panel].fed_by;
        if (feeder < 0)
            return false;
        if (e->circuits[feeder].measured)
            return true;
        panel = e->site->circuits[feeder].panel;
    }
    return false;
}

static bool add_house(struct energy *e)
{
    struct account *h = &e->house;
    h->at = calloc(e->span->day_count + 1, sizeof *h->at);
    if (!h->at)
        return false;
    for (size_t c = 0; c < e->site->circuit_count; c++) {
        const struct account *a = &e->circuits[c];
        if (!a->measured || counted_above(e, c))
            continue;
        h->measured = true;
        h->by_amps |= a->by_amps;
        for (size_t d = 0; d < e->span->day_count; d++) {
            double without = fmax(h->at[d].seconds_without, a->at[d].seconds_without);
            energy_join(&h->at[d], &a->at[d]);
            h->at[d].seconds_without = without;
        }
    }
    for (size_t d = 0; d < e->span->day_count; d++)
        h->at[d].cost += e->tariff->fixed_per_day;
    return true;
}

/* days into periods, in place: a period never lies behind its first day */
static void fold(const struct energy *e, struct account *a)
{
    for (size_t d = 0; a->at && d < e->span->day_count; d++) {
        struct energy_day day = a->at[d];
        size_t p = (size_t)e->period_of[d];
        a->at[d] = (struct energy_day){0};
        energy_join(&a->at[p], &day);
    }
}

static bool make_periods(struct energy *e)
{
    const struct energy_span *s = e->span;
    e->period_of = calloc(s->day_count + 1, sizeof *e->period_of);
    e->period_days = calloc(s->day_count + 1, sizeof *e->period_days);
    e->period_begin = calloc(s->day_count + 1, sizeof *e->period_begin);
    if (!e->period_of || !e->period_days || !e->period_begin)
        return false;
    int last = 0;
    for (size_t d = 0; d < s->day_count; d++) {
        int year, month, day;
        clock_date_from_days(s->days[d], &year, &month, &day);
        int now = year * 12 + month;
        if (d == 0 || e->by == BY_DAY || (e->by == BY_MONTH && now != last))
            e->period_begin[e->period_count++] = s->days[d];
        last = now;
        e->period_of[d] = (int32_t)e->period_count - 1;
        e->period_days[e->period_count - 1]++;
    }
    return true;
}

static bool reckon(struct energy *e, int only)
{
    e->quarters = malloc((e->span->count + 1) * sizeof *e->quarters);
    e->circuits = calloc(e->site->circuit_count + 1, sizeof *e->circuits);
    if (!e->quarters || !e->circuits || !make_periods(e))
        return false;
    for (size_t c = 0; c < e->site->circuit_count; c++)
        if ((only < 0 || (size_t)only == c) && !add_circuit(e, c))
            return false;
    if (only < 0 && !add_house(e))
        return false;
    for (size_t c = 0; c < e->site->circuit_count; c++)
        fold(e, &e->circuits[c]);
    fold(e, &e->house);
    return true;
}

/* ---- output ---- */

static void format_period(const struct energy *e, size_t period, char out[32])
{
    int year, month, day;
    clock_date_from_days(e->period_begin[period], &year, &month, &day);
    if (e->by == BY_MONTH)
        snprintf(out, 32, "%04d-%02d", year, month);
    else
        snprintf(out, 32, "%04d-%02d-%02d", year, month, day);
}

/* name: NULL for the house */
static void print_json(const struct energy *e, const struct account *a, const char *name)
{
    for (size_t p = 0; p < e->period_count; p++) {
        const struct energy_day *d = &a->at[p];
        char period[32];
        format_period(e, p, period);
        printf("{\"from\":\"%s\",\"days\":%zu,\"circuit\":", period, e->period_days[p]);
        printf(name ? "\"%s\"" : "null", name);
        printf(",\"kwh\":%.6g,\"by\":\"%s\",\"seconds_without_readings\":%.10g", d->kwh,
               a->by_amps ? "amps" : "watts", round(d->seconds_without));
        if (e->tariff->currency[0]) {
            printf(",\"cost\":%.6g,\"currency\":\"%s\",\"kwh_at\":{", d->cost,
                   e->tariff->currency);
            for (size_t i = 0; i <= e->tariff->price_count; i++)
                printf("%s\"%s\":%.6g", i ? "," : "", tariff_slot_name(e->tariff, i),
                       d->kwh_at[i]);
            putchar('}');
        }
        puts("}");
    }
}

static void print_csv(const struct energy *e, const struct account *a, const char *name)
{
    for (size_t p = 0; p < e->period_count; p++) {
        const struct energy_day *d = &a->at[p];
        char period[32];
        format_period(e, p, period);
        printf("%s,%s,%.6g,%s,%.10g", period, name ? name : "", d->kwh,
               a->by_amps ? "amps" : "watts", round(d->seconds_without));
        if (e->tariff->currency[0]) {
            printf(",%.6g", d->cost);
            for (size_t i = 0; i <= e->tariff->price_count; i++)
                printf(",%.6g", d->kwh_at[i]);
        }
        putchar('\n');
    }
}

static void print_csv_head(const struct tariff *t)
{
    fputs("from,circuit,kwh,by,seconds_without_readings", stdout);
    if (t->currency[0]) {
        printf(",cost_%s", t->currency);
        for (size_t i = 0; i <= t->price_count; i++)
            printf(",kwh_%s", tariff_slot_name(t, i));
    }
    putchar('\n');
}

/* To two places, and never "-0.00", which is what a meter's noise about nothing may add up to.
 */
static double rounded(double v)
{
    return round(100.0 * v) / 100.0 + 0.0;
}

static void print_lines(const struct energy *e, const struct account *a, const char *name,
                        const char *what)
{
    for (size_t p = 0; p < e->period_count; p++) {
        const struct energy_day *d = &a->at[p];
        char period[32];
        format_period(e, p, period);
        printf("%-10s  %-16s %10.2f kWh", period, name ? name : "all", rounded(d->kwh));
        if (e->tariff->currency[0])
            printf(" %10.2f %s", rounded(d->cost), e->tariff->currency);
        printf("  %s%s", a->by_amps ? "(by amps) " : "", what);
        if (d->seconds_without >= 60.0)
            printf(" - %.1f h without readings", d->seconds_without / 3600.0);
        putchar('\n');
    }
}

static void print_prices(const struct energy *e)
{
    const struct tariff *t = e->tariff;
    struct energy_day all = {0};
    for (size_t p = 0; p < e->period_count; p++)
        energy_join(&all, &e->house.at[p]);
    for (size_t i = 0; t->currency[0] && i <= t->price_count; i++)
        printf("%-10s  %-16s %10.2f kWh %10.2f %s\n", i ? "" : "of all", tariff_slot_name(t, i),
               rounded(all.kwh_at[i]), rounded(all.kwh_at[i] * tariff_slot_price(t, i)),
               t->currency);
    if (t->currency[0] && t->fixed_per_day > 0.0)
        printf("%-10s  %-16s %14s %10.2f %s\n", "", "fixed", "",
               t->fixed_per_day * (double)e->span->day_count, t->currency);
}

static void print_one(const struct energy *e, const struct account *a, const char *name,
                      const char *what, bool csv, bool json)
{
    if (csv)
        print_csv(e, a, name);
    else if (json)
        print_json(e, a, name);
    else
        print_lines(e, a, name, what);
}

static void print_all(const struct energy *e, int only, bool csv, bool json)
{
    if (csv)
        print_csv_head(e->tariff);
    for (size_t c = 0; c < e->site->circuit_count; c++)
        if (e->circuits[c].measured)
            print_one(e, &e->circuits[c], e->site->circuits[c].id, e->site->circuits[c].name,
                      csv, json);
    if (only < 0 && e->house.measured)
        print_one(e, &e->house, NULL, "each reading once", csv, json);
    if (only < 0 && e->house.measured && !csv && !json)
        print_prices(e);
}

/* ---- the verb ---- */

static bool take_by(const char *word, bool table, bool one, enum by *by)
{
    static const char *const words[] = {"day", "month", "span"};
    *by = table || one ? BY_DAY : BY_SPAN;
    for (int i = 0; word && i < 3; i++)
        if (strcmp(word, words[i]) == 0) {
            *by = (enum by)i;
            return true;
        }
    if (word)
        fprintf(stderr, "foretrip energy: --by \"%s\" is not known; it is day, month or span\n",
                word);
    return !word;
}

static enum exit_code run(struct energy *e, struct record *r, int only, bool csv, bool json)
{
    int64_t now = clock_wall_ms();
    int64_t to = r->to > now && r->from < now ? now : r->to; /* what is to come has no energy */
    e->span = energy_span_create(e->tariff, r->from, to, offset_at, e);
    bool good = e->span != NULL &&
                record_ok(r, "energy", history_columns(r->reader, take_column, e)) &&
                !e->failed && reckon(e, only);
    if (good)
        print_all(e, only, csv, json);
    for (size_t c = 0; e->circuits && c < e->site->circuit_count; c++)
        free(e->circuits[c].at);
    free(e->house.at);
    free(e->circuits);
    free(e->quarters);
    free(e->columns);
    free(e->period_of);
    free(e->period_days);
    free(e->period_begin);
    energy_span_destroy(e->span);
    return good ? EXIT_GOOD : EXIT_BAD;
}

enum exit_code verb_energy(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS + 3];
    const char *by = NULL, *name = NULL;
    bool csv = false, json = false;
    struct record r;
    struct energy e = {0};
    record_option_rows(&o, rows);
    rows[RECORD_OPTIONS + 0] = (struct option_row){.name = "by", .value = &by};
    rows[RECORD_OPTIONS + 1] = (struct option_row){.name = "csv", .flag = &csv};
    rows[RECORD_OPTIONS + 2] = (struct option_row){.name = "json", .flag = &json};
    if (argc > 1 && argv[1][0] != '-') {
        name = argv[1];
        argv[1] = argv[0];
        argc--;
        argv++;
    }
    if (!options_take(rows, RECORD_OPTIONS + 3, argc, argv) ||
        !take_by(by, csv || json, name != NULL, &e.by))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "energy", &o);
    if (code != EXIT_GOOD)
        return code;
    e.record = &r;
    e.site = &r.config.site;
    e.tariff = &r.config.tariff;
    int only = name ? find_circuit(e.site, "energy", name) : -1;
    code = name && only < 0 ? EXIT_BAD : run(&e, &r, only, csv, json);
    record_close(&r);
    return code;
}
