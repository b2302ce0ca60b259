/* metrics: the OpenMetrics text format 1.0, section 4, line by line */
#include "check.h"

#include "notify/metrics.h"

#include <stdlib.h>

/* the name of a line up to a blank or a brace */
static void take_name(const char *line, char out[96])
{
    size_t n = strcspn(line, " {");
    assert_true(n > 0 && n < 96);
    memcpy(out, line, n);
    out[n] = '\0';
}

static bool ends_in(const char *s, const char *end)
{
    size_t n = strlen(s), m = strlen(end);
    return n >= m && strcmp(s + n - m, end) == 0;
}

/* 4.1: families begin with their TYPE, are not repeated nor mixed; counters end in _total,
 * units stand in the name, the last line is EOF */
static void every_line_is_as_the_format_has_it(void **state)
{
    const struct mqtt_status mqtt = {.connected = true, .acknowledged = 7};
    const struct courier_status letters = {.accepted = 3, .oldest_ms = 1500, .waiting = 2};
    const struct metrics_bus buses[] = {
        {.id = "lan",
         .reads = 10,
         .answers = 9,
         .retries = 1,
         .faults = {{"timeout", 1}, {"bad checksum", 0}},
         .times = {{0.005, 2}, {0.05, 6}, {INFINITY, 1}},
         .seconds = 1.25},
        {.id = "rs485", .reads = 20, .missed = 2, .times = {{INFINITY, 0}}}};
    struct metrics m = {.site = "alder-31",
                        .started_wall_ms = 1800014400500,
                        .frames = 12,
                        .outbox_oldest_seconds = 2.5,
                        .raised = {1, 2, 3},
                        .mqtt = &mqtt,
                        .courier = &letters,
                        .buses = buses,
                        .bus_count = 2,
                        .convention_count = 1,
                        .conventions = {{"homie", true}}};
    struct text out = TEXT_INIT, seen = TEXT_INIT;
    char family[96] = "", type[16] = "", name[96];
    (void)state;
    metrics_write(&m, &out);
    assert_non_null(strstr(out.bytes, "\nforetrip_letters_oldest_seconds 1.5\n"));
    assert_non_null(strstr(out.bytes, "\nforetrip_outbox_oldest_seconds 2.5\n"));
    assert_non_null(strstr(out.bytes, "\nforetrip_bus_missed_total{bus=\"rs485\"} 2\n"));
    assert_non_null(strstr(out.bytes, "\nforetrip_alarms_raised_total{priority=\"low\"} 3\n"));
    assert_non_null(
        strstr(out.bytes, "\nforetrip_bus_faults_total{bus=\"lan\",fault=\"timeout\"} 1\n"));
    assert_non_null(
        strstr(out.bytes, "\nforetrip_convention_connected{convention=\"homie\"} 1\n"));
    /* 5.3: classes hold all below them, the last is +Inf and equals the count */
    assert_non_null(strstr(out.bytes,
                           "\nforetrip_bus_answer_seconds_bucket{bus=\"lan\",le=\"0.005\"} 2\n"
                           "foretrip_bus_answer_seconds_bucket{bus=\"lan\",le=\"0.05\"} 8\n"
                           "foretrip_bus_answer_seconds_bucket{bus=\"lan\",le=\"+Inf\"} 9\n"
                           "foretrip_bus_answer_seconds_count{bus=\"lan\"} 9\n"
                           "foretrip_bus_answer_seconds_sum{bus=\"lan\"} 1.250000\n"));
    assert_true(ends_in(out.bytes, "\n# EOF\n"));
    char *at = out.bytes, *line;
    while ((line = strsep(&at, "\n")) && strcmp(line, "# EOF") != 0) {
        if (strncmp(line, "# TYPE ", 7) == 0) {
            struct text mark = TEXT_INIT;
            assert_int_equal(sscanf(line, "# TYPE %95s %15s", family, type), 2);
            text_printf(&mark, " %s ", family);
            assert_null(strstr(text_get(&seen), text_get(&mark)));
            text_append(&seen, text_get(&mark));
            text_free(&mark);
        } else if (strncmp(line, "# UNIT ", 7) == 0) {
            char unit[32];
            assert_int_equal(sscanf(line, "# UNIT %95s %31s", name, unit), 2);
            assert_string_equal(name, family);
            assert_true(ends_in(family, unit));
        } else if (strncmp(line, "# HELP ", 7) == 0) {
            take_name(line + 7, name);
            assert_string_equal(name, family);
        } else {
            char wanted[128], *end;
            snprintf(wanted, sizeof wanted, "%s%s", family,
                     strcmp(type, "counter") == 0 ? "_total"
                     : strcmp(type, "info") == 0  ? "_info"
                                                  : "");
            take_name(line, name);
            if (strcmp(type, "histogram") == 0) {
                assert_true(strncmp(name, family, strlen(family)) == 0);
                const char *end_of_name = name + strlen(family);
                assert_true(strcmp(end_of_name, "_bucket") == 0 ||
                            strcmp(end_of_name, "_count") == 0 ||
                            strcmp(end_of_name, "_sum") == 0);
            } else {
                assert_string_equal(name, wanted);
            }
            const char *value = strrchr(line, ' ') + 1;
            strtod(value, &end);
            assert_true(end != value && *end == '\0');
        }
    }
    text_free(&out);
    text_free(&seen);
}

static void without_broker_and_letters_their_families_are_left_out(void **state)
{
    struct metrics m = {.site = "alder-31"};
    struct text out = TEXT_INIT;
    (void)state;
    metrics_write(&m, &out);
    assert_null(strstr(out.bytes, "mqtt"));
    assert_null(strstr(out.bytes, "letters"));
    assert_null(strstr(out.bytes, "bus_"));
    text_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_line_is_as_the_format_has_it),
        cmocka_unit_test(without_broker_and_letters_their_families_are_left_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
