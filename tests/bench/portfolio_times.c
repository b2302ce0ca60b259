/* The portfolio's queries on a centre's store that is there (bench_centre.sh fills it): each
 * several times, the median and the longest. Goal: under 100 ms with 5,000 sites and a year of
 * events. portfolio_times DATABASE */
#include "base/clock.h"
#include "fleet/notices.h"
#include "fleet/portfolio.h"

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define TIMES 9
#define DAY_MS INT64_C(86400000)

static int64_t rows;

static bool see_need(void *context, const struct portfolio_need *n)
{
    (void)context;
    (void)n;
    return ++rows;
}

static bool see_unit(void *context, const struct portfolio_unit *u)
{
    (void)context;
    (void)u;
    return ++rows;
}

static bool see_trip(void *context, const struct portfolio_trip *t)
{
    (void)context;
    (void)t;
    return ++rows;
}

static bool see_count(void *context, int64_t from_ms, const char *cause, int64_t count)
{
    (void)context;
    (void)from_ms;
    (void)cause;
    rows += count > 0;
    return true;
}

static bool see_record(void *context, int64_t seq, int64_t filed_ms, const char *type,
                       const char *json)
{
    (void)context;
    (void)seq;
    (void)filed_ms;
    (void)type;
    (void)json;
    return ++rows;
}

static bool see_notice(void *context, const struct notice *n)
{
    (void)context;
    (void)n;
    return ++rows;
}

static bool see_building(void *context, const struct portfolio_building *b)
{
    (void)context;
    (void)b;
    return ++rows;
}

static bool see_alarm(void *context, const struct portfolio_alarm *a)
{
    (void)context;
    (void)a;
    return ++rows;
}

static enum sql_err ask(struct sql *s, int what, int64_t now)
{
    static const struct portfolio_scope unit = {.site_id = "unit-00042"},
                                        building = {.building = "1 Mill Lane"},
                                        words = {.words = "mill lane"};
    struct portfolio_sums sums;
    switch (what) {
    case 0: return portfolio_needs(s, now, NULL, see_need, NULL);
    case 1: return portfolio_units(s, now - 30 * DAY_MS, NULL, 10000, see_unit, NULL);
    case 2: return portfolio_units(s, now - 30 * DAY_MS, &unit, 1, see_unit, NULL);
    case 3: return portfolio_trips(s, now - 30 * DAY_MS, now, NULL, 200, see_trip, NULL);
    case 4: return portfolio_trips(s, 0, now, &unit, 200, see_trip, NULL);
    case 5:
        return portfolio_trip_counts(s, now - 365 * DAY_MS, now, 7 * DAY_MS, NULL, see_count,
                                     NULL);
    case 6:
        return portfolio_records(s, "unit-00042", now - 30 * DAY_MS, now, 1000, see_record,
                                 NULL);
    case 7: return notices_read(s, now - 7 * DAY_MS, 500, see_notice, NULL);
    case 8: return portfolio_sums(s, now, &sums);
    case 9: return portfolio_buildings(s, now, now - 30 * DAY_MS, see_building, NULL);
    case 10: return portfolio_units(s, now - 30 * DAY_MS, &building, 500, see_unit, NULL);
    case 11: return portfolio_units(s, now - 30 * DAY_MS, &words, 500, see_unit, NULL);
    case 12: return portfolio_trips(s, 0, now, &building, 200, see_trip, NULL);
    case 13:
        return portfolio_trip_counts(s, now - 365 * DAY_MS, now, 7 * DAY_MS, &building,
                                     see_count, NULL);
    case 14: return portfolio_alarms(s, "unit-00042", 100, see_alarm, NULL);
    default: return notices_tend(s, now);
    }
}

static bool see_ns(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

/* processor time of ours and, with PostgreSQL, of the process that serves us */
static double cpu_ms(struct sql *s)
{
    int64_t ns = 0;
    struct timespec own;
    if (sql_is_postgres(s))
        sql_query(s, "SELECT split_part(pg_read_file('/proc/self/schedstat'), ' ', 1)::bigint",
                  NULL, 0, see_ns, &ns, NULL);
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &own);
    return (double)ns / 1e6 + (double)own.tv_sec * 1e3 + (double)own.tv_nsec / 1e6;
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv)
{
    static const char *const names[] = {"who needs somebody",
                                        "units, trips of 30 days",
                                        "one unit",
                                        "trips of 30 days, 200",
                                        "trips of one unit",
                                        "trips a week over a year",
                                        "records of one, 30 days",
                                        "notices",
                                        "sums",
                                        "buildings",
                                        "units of a building",
                                        "units by a word",
                                        "trips of a building, 200",
                                        "trips a week of a building",
                                        "what stands at one unit",
                                        "tending the notices"};
    char why[SQL_WHY_SIZE] = "usage: portfolio_times DATABASE";
    struct sql *s = argc == 2 ? sql_open(argv[1], why) : NULL;
    if (!s) {
        fprintf(stderr, "%s\n", why);
        return 1;
    }
    int64_t now = clock_wall_ms();
    for (int what = 0; what < (int)(sizeof names / sizeof names[0]); what++) {
        double took[TIMES], cpu = cpu_ms(s);
        for (int i = 0; i < TIMES; i++) {
            int64_t begin = clock_mono_us();
            rows = 0;
            if (ask(s, what, now) != SQL_FINE) {
                fprintf(stderr, "%s: %s\n", names[what], sql_why(s));
                return 1;
            }
            took[i] = (double)(clock_mono_us() - begin) / 1000.0;
        }
        qsort(took, TIMES, sizeof took[0], by_value);
        cpu = (cpu_ms(s) - cpu) / TIMES;
        printf("%-26s %6lld rows, median %7.2f ms, longest %7.2f ms, of processor time %6.2f ms"
               "%s\n",
               names[what], (long long)rows, took[TIMES / 2], took[TIMES - 1], cpu,
               took[TIMES / 2] < 100.0 ? "" : "  MISSED (goal: under 100 ms)");
    }
    sql_close(s);
    return 0;
}
