#include "check.h"

#include <stdlib.h>

#include "drivers/meter_plan.h"

/* ---- the line's cost: published and computed figures
 * ----------------------------------------- */

static void the_lines_times_are_the_published_ones(void **state)
{
    (void)state;
    /* MODBUS over Serial Line V1.02, section 2.5.1.1: at 19200 and 11-bit characters t3.5 is
     * 2.005 ms, above that fixed 1.750 ms; at 9600 computed, 4.010 ms */
    static const struct {
        int baud, bits;
        double silence_ms;
    } silences[] = {
        {9600, 11, 4.010}, {19200, 11, 2.005}, {38400, 11, 1.750}, {115200, 11, 1.750}};
    for (size_t i = 0; i < sizeof silences / sizeof silences[0]; i++)
        assert_near((double)plan_line_serial(silences[i].baud, silences[i].bits, 0).silence_ns /
                        1e6,
                    silences[i].silence_ms, 0.001);
    /* shortest read: (8 + 5 + 2 N) characters and two silences */
    static const struct {
        int baud, bits, registers;
        double ms;
    } reads[] = {
        {9600, 11, 1, 25.2},    {9600, 11, 125, 309.4},  {19200, 11, 42, 59.6},
        {19200, 10, 42, 54.2},  {38400, 11, 84, 55.4},   {115200, 11, 1, 4.9},
        {115200, 11, 42, 12.8}, {115200, 10, 125, 26.3},
    };
    for (size_t i = 0; i < sizeof reads / sizeof reads[0]; i++) {
        struct plan_line line = plan_line_serial(reads[i].baud, reads[i].bits, 0);
        assert_near((double)plan_read_ns(&line, reads[i].registers) / 1e6, reads[i].ms, 0.06);
    }
    struct plan_line slow = plan_line_serial(19200, 11, 5000),
                     quick = plan_line_serial(19200, 11, 0);
    assert_int_equal(slow.read_ns - quick.read_ns, 5000000);
}

/* ---- the plan against all plans -----------------------------------------------------------
 */

#define MOST_SPANS 7

static uint32_t next_random(uint32_t *seed, uint32_t below)
{
    *seed = *seed * 1664525U + 1013904223U;
    return (*seed >> 8) % below;
}

/* request and answer with their frames: RTU 8 and 5 + 2N bytes, TCP 12 and 9 + 2N (MODBUS
 * Application Protocol V1.1b3, 6.3; Messaging on TCP/IP V1.0b, 3) */
static long bytes_on_the_wire(const struct plan_line *line, int reads, long registers)
{
    return reads * (line->character_ns > 0 ? 8L + 5 : 12L + 9) + 2 * registers;
}

/* cost and count of the reads when span i is read by read group[i]; -1 when one is too long */
static int64_t cost_of(const struct plan_span *spans, const int *group, int count, int groups,
                       int most, const struct plan_line *line)
{
    int64_t sum = 0;
    for (int g = 0; g < groups; g++) {
        int from = 65536, to = 0;
        for (int i = 0; i < count; i++)
            if (group[i] == g) {
                from = spans[i].address < from ? spans[i].address : from;
                to = spans[i].address + spans[i].count > to ? spans[i].address + spans[i].count
                                                            : to;
            }
        if (to - from > most)
            return -1;
        sum += plan_read_ns(line, to - from);
    }
    return sum;
}

struct search {
    const struct plan_span *spans;
    const struct plan_line *line;
    int count, most;
    int64_t best_ns;
    int best_reads;
    int fewest; /* reads of any plan at all */
};

/* every way to share the spans out among reads, consecutive or not (Bell's number of them) */
static void try_all(struct search *s, int *group, int placed, int groups)
{
    if (placed == s->count) {
        int64_t cost = cost_of(s->spans, group, s->count, groups, s->most, s->line);
        if (cost >= 0 && groups < s->fewest)
            s->fewest = groups;
        if (cost >= 0 &&
            (cost < s->best_ns || (cost == s->best_ns && groups < s->best_reads))) {
            s->best_ns = cost;
            s->best_reads = groups;
        }
        return;
    }
    for (int g = 0; g <= groups; g++) {
        group[placed] = g;
        try_all(s, group, placed + 1, g == groups ? groups + 1 : groups);
    }
}

static bool covered(const struct plan_span *s, const struct plan_read *reads, int count)
{
    for (int i = 0; i < count; i++)
        if (reads[i].address <= s->address &&
            reads[i].address + reads[i].count >= s->address + s->count)
            return true;
    return false;
}

static void the_plan_is_as_cheap_as_the_best_of_all_plans(void **state)
{
    (void)state;
    uint32_t seed = 2026;
    const struct plan_line lines[] = {plan_line_serial(9600, 11, 0),
                                      plan_line_serial(115200, 11, 5000),
                                      plan_line_tcp(),
                                      {.read_ns = 10, .register_ns = 3},
                                      plan_line_without_holes(plan_line_serial(19200, 11, 0))};
    static const int mosts[] = {125, 30, 10, 4};
    int bridged = 0, split = 0;
    long bytes = 0, best_bytes = 0;
    for (int round = 0; round < 6000; round++) {
        struct plan_span spans[MOST_SPANS], given[MOST_SPANS];
        struct plan_read reads[MOST_SPANS];
        int count = 1 + (int)next_random(&seed, MOST_SPANS), group[MOST_SPANS];
        uint32_t width = 5 + next_random(&seed, 200);
        for (int i = 0; i < count; i++)
            given[i] = spans[i] =
                (struct plan_span){(int)next_random(&seed, width), 1 << next_random(&seed, 3)};
        struct search best = {.spans = given,
                              .line = &lines[round % 5],
                              .count = count,
                              .most = mosts[round / 5 % 4],
                              .best_ns = INT64_MAX,
                              .fewest = MOST_SPANS + 1};
        try_all(&best, group, 0, 0);
        int n = plan_reads(spans, (size_t)count, best.most, best.line, reads);
        assert_true(n >= 1);
        int64_t cost = plan_total_ns(best.line, reads, (size_t)n);
        if (cost != best.best_ns || n != best.best_reads)
            fail_msg("round %d: %lld ns in %d reads, the best is %lld ns in %d", round,
                     (long long)cost, n, (long long)best.best_ns, best.best_reads);
        if (round % 5 == 2) /* on TCP the cheapest has the fewest reads that there can be */
            assert_int_equal(n, best.fewest);
        long registers = 0;
        for (int i = 0; i < n; i++)
            registers += reads[i].count;
        /* cost = reads * read_ns + registers * register_ns tells the best plan's registers */
        long best_registers = (long)((best.best_ns - best.best_reads * best.line->read_ns) /
                                     best.line->register_ns);
        bytes += bytes_on_the_wire(best.line, n, registers);
        best_bytes += bytes_on_the_wire(best.line, best.best_reads, best_registers);
        assert_true(registers <= best_registers);
        for (int i = 0; i < count; i++)
            assert_true(covered(&given[i], reads, n)); /* also: never split over two */
        for (int i = 0; i < n; i++)
            assert_true(reads[i].count >= 1 && reads[i].count <= best.most);
        bridged += n < count;
        split += n > 1;
    }
    assert_true(bytes <= best_bytes + best_bytes / 50);
    assert_true(bridged > 1000 && split > 1000); /* the cases were not trivial */
}

static void many_registers_are_read_in_whole_reads(void **state)
{
    (void)state;
    static struct plan_span spans[1000];
    static struct plan_read reads[1000];
    struct plan_line line = plan_line_serial(19200, 11, 0);
    for (int i = 0; i < 1000; i++) /* in reverse: the order given does not matter */
        spans[i] = (struct plan_span){2 * (999 - i), 2};
    /* 62 values of two registers fit into 125 */
    assert_int_equal(plan_reads(spans, 1000, 125, &line, reads), 17);
    for (int i = 0; i < 17; i++)
        assert_true(reads[i].count % 2 == 0 && reads[i].count <= 124);
}

static void spans_that_cannot_be_read_are_refused(void **state)
{
    (void)state;
    struct plan_line line = plan_line_tcp();
    struct plan_read out[1];
    static const struct {
        struct plan_span span;
        int most, result;
    } rows[] = {
        {{0, 4}, 4, 1},     {{0, 4}, 3, -1},   {{65532, 4}, 125, 1}, {{65533, 4}, 125, -1},
        {{-1, 2}, 125, -1}, {{0, 0}, 125, -1}, {{0, 1}, 126, -1},    {{0, 1}, 0, -1},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct plan_span span = rows[i].span;
        assert_int_equal(plan_reads(&span, 1, rows[i].most, &line, out), rows[i].result);
    }
    assert_int_equal(plan_reads(NULL, 0, 125, &line, NULL), 0);
}

/* ---- a meter's plan -------------------------------------------------------------------------
 */

/* Circuits on channels 2 (ratio 3, reversed) and the two poles on 5 and 9; the panel's
 * voltages. */
static void describe(struct site *s, struct meter_map *map)
{
    site_init(s);
    struct site_panel *p = site_add_panel(s);
    snprintf(p->id, sizeof p->id, "main");
    p->legs = 2;
    site_add_bus(s);
    struct site_meter *m = site_add_meter(s);
    m->bus = 0;
    m->panel = 0;
    struct site_circuit *c = site_add_circuit(s);
    c->panel = c->meter = 0;
    c->channels[0] = 2;
    c->ct_ratio = 3.0;
    c->ct_reversed = true;
    c = site_add_circuit(s);
    c->panel = c->meter = 0;
    c->poles = 2;
    c->channels[0] = 5;
    c->channels[1] = 9;
    c = site_add_circuit(s); /* nobody measures it */
    c->panel = 0;
    site_finish(s);
    *map = (struct meter_map){.id = "mixed", .max_registers = 125, .point_count = 3};
    map->points[0] = (struct meter_point){.quantity = FRAME_AMPS,
                                          .type = METER_U16,
                                          .function = 4,
                                          .address = 100,
                                          .stride = 1,
                                          .first_channel = 1,
                                          .channels = 12,
                                          .scale = 1.0,
                                          .scale_register = 99};
    map->points[1] = (struct meter_point){.quantity = FRAME_WATTS,
                                          .type = METER_S32,
                                          .order = METER_CDAB,
                                          .function = 4,
                                          .address = 200,
                                          .stride = 4,
                                          .first_channel = 1,
                                          .channels = 6, /* channel 9 has none */
                                          .scale = 0.1,
                                          .scale_register = -1};
    map->points[2] = (struct meter_point){.quantity = FRAME_PANEL_VOLTS,
                                          .type = METER_U16,
                                          .function = 3,
                                          .address = 7,
                                          .stride = 2,
                                          .first_channel = 1,
                                          .channels = 3,
                                          .scale = 0.1,
                                          .scale_register = -1};
}

static float reading(const struct bus_reading *readings, size_t count, size_t index)
{
    for (size_t i = 0; i < count; i++)
        if (readings[i].index == index)
            return readings[i].value;
    return (float)NAN;
}

static void a_meters_plan_reads_what_the_site_wants_and_no_more(void **state)
{
    (void)state;
    struct site s;
    struct meter_map map;
    struct meter_plan plan;
    struct plan_line line = plan_line_serial(9600, 11, 0);
    describe(&s, &map);
    assert_int_equal(meter_plan_make(&s, 0, &map, &line, &plan), METER_PLAN_OK);
    /* volts of legs a and b at 7 and 9; the scale at 99 and channels 2, 5, 9 at 101, 104, 108;
     * watts of 2 and 5 at 204 and 216: at 9600 a read costs 10 registers,
     * as much as the hole between these two: then fewer reads are preferred */
    static const struct meter_read wanted[] = {
        {3, 7, 3, 0, true}, {4, 99, 10, 3, true}, {4, 204, 14, 13, true}};
    assert_int_equal(plan.read_count, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(plan.reads[i].function, wanted[i].function);
        assert_int_equal(plan.reads[i].address, wanted[i].address);
        assert_int_equal(plan.reads[i].count, wanted[i].count);
        assert_int_equal(plan.reads[i].at, wanted[i].at);
        assert_int_equal(plan.reads[i].bridges, wanted[i].bridges);
    }
    assert_int_equal(plan.registers, 27);
    assert_int_equal(plan.value_count, 7);
    assert_int_equal(meter_plan_has(&plan),
                     1U << FRAME_AMPS | 1U << FRAME_WATTS | 1U << FRAME_PANEL_VOLTS);
    meter_plan_free(&plan);
    site_free(&s);
}

static void readings_land_in_their_place_with_ratio_and_direction(void **state)
{
    (void)state;
    struct site s;
    struct meter_map map;
    struct meter_plan plan;
    struct plan_line line = plan_line_serial(9600, 11, 0);
    struct bus_reading out[16];
    describe(&s, &map);
    assert_int_equal(meter_plan_make(&s, 0, &map, &line, &plan), METER_PLAN_OK);
    uint16_t r[27] = {0};
    bool got[3] = {true, true, true};
    r[0] = 1201, r[2] = 1198;                                /* 120.1 and 119.8 V */
    r[3] = (uint16_t)-2;                                     /* amps are hundredths */
    r[5] = 150, r[8] = 700, r[12] = 800;                     /* channels 2, 5, 9 */
    r[13] = 1800, r[14] = 0, r[25] = 0xFF38, r[26] = 0xFFFF; /* 180.0 W; -20.0 W */
    size_t n = meter_plan_decode(&plan, r, got, NULL, out);
    assert_int_equal(n, 7);
    size_t poles = 4;                                   /* one, two, one */
    assert_near((double)reading(out, n, 0), 4.5, 1e-6); /* ratio 3 */
    assert_near((double)reading(out, n, 1), 7.0, 1e-6);
    assert_near((double)reading(out, n, 2), 8.0, 1e-6);
    assert_near((double)reading(out, n, poles), -540.0, 1e-4); /* ratio and reversed */
    assert_near((double)reading(out, n, poles + 1), -20.0, 1e-4);
    assert_near((double)reading(out, n, 4 * poles), 120.1, 1e-4);
    assert_near((double)reading(out, n, 4 * poles + 1), 119.8, 1e-4);
    got[1] = false; /* the read with the amps and their scale got no answer */
    assert_int_equal(meter_plan_decode(&plan, r, got, NULL, out), 4);
    assert_true(isnan(reading(out, 4, 0)));
    meter_plan_free(&plan);
    map.points[0].scale_register = 300; /* far away: a read of its own, the last */
    assert_int_equal(meter_plan_make(&s, 0, &map, &line, &plan), METER_PLAN_OK);
    assert_int_equal(plan.read_count, 4);
    bool all_but_scale[4] = {true, true, true, false};
    uint16_t zeros[32] = {0};
    assert_int_equal(meter_plan_decode(&plan, zeros, all_but_scale, NULL, out), 4);
    assert_true(isnan(reading(out, 4, 0)));
    meter_plan_free(&plan);
    site_free(&s);
}

static void a_map_beyond_the_address_space_is_an_error(void **state)
{
    (void)state;
    struct site s;
    struct meter_map map;
    struct meter_plan plan;
    struct plan_line line = plan_line_tcp();
    describe(&s, &map);
    map.points[1].address = 65530;
    assert_int_equal(meter_plan_make(&s, 0, &map, &line, &plan), METER_PLAN_ERR_MAP);
    map.points[1].address = 200;
    map.max_registers = 1; /* cannot give 32 bits in one read */
    assert_int_equal(meter_plan_make(&s, 0, &map, &line, &plan), METER_PLAN_ERR_MAP);
    site_free(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_lines_times_are_the_published_ones),
        cmocka_unit_test(the_plan_is_as_cheap_as_the_best_of_all_plans),
        cmocka_unit_test(many_registers_are_read_in_whole_reads),
        cmocka_unit_test(spans_that_cannot_be_read_are_refused),
        cmocka_unit_test(a_meters_plan_reads_what_the_site_wants_and_no_more),
        cmocka_unit_test(readings_land_in_their_place_with_ratio_and_direction),
        cmocka_unit_test(a_map_beyond_the_address_space_is_an_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
