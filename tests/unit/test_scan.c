/* scan: who is on a bus; plausible: which map is a meter's */
#include "check.h"

#include <stdlib.h>

#include "base/text.h"
#include "config/reader.h"
#include "drivers/plausible.h"
#include "drivers/scan.h"
#include "drivers/simulated/encode.h"
#include "fake_meter.h"
#include "held_time.h"

static void tell(void *context, const char *sentence)
{
    text_printf(context, "%s\n", sentence);
}

static struct scan_result scan(struct fake_meter *f, bool tcp, int last, struct text *said)
{
    struct scan_options o = {.bus = {.baud = 9600,
                                     .parity = 'N',
                                     .stop_bits = 1,
                                     .timeout_ms = 400,
                                     .port = fake_meter_port(f)},
                             .first_unit = 1,
                             .last_unit = last,
                             .other_settings = true,
                             .say = tell,
                             .context = said};
    struct scan_result r;
    char why[160] = "";
    snprintf(tcp ? o.bus.host : o.bus.device, SITE_PATH_SIZE, "%s",
             tcp ? "127.0.0.1" : fake_meter_device(f));
    if (!scan_bus(&o, &r, why, sizeof why))
        fail_msg("%s", why);
    return r;
}

static void those_who_answer_are_found_and_nobody_else(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        static const int refuses[] = {FAKE_EXCEPTION + 2};
        struct text said = TEXT_INIT;
        held_time_begin(NULL);
        struct fake_meter *f = fake_meter_by_hand(tcp);
        for (int unit = 0; unit < 256; unit++)
            fake_meter_silence(f, unit, unit != 3 && unit != 17 && unit != 247);
        fake_meter_script(f, 17, refuses, 1);
        struct scan_result r = scan(f, tcp, 247, &said);
        assert_int_equal(r.unit_count, 3);
        assert_int_equal(r.units[0], 3);
        assert_int_equal(r.units[1], 17); /* a refusal is an answer */
        assert_int_equal(r.units[2], 247);
        assert_false(r.any_unit);
        assert_int_equal(r.bus.baud, 9600);
        assert_int_equal(r.bus.timeout_ms, 400);
        assert_non_null(strstr(text_get(&said), "unit 247 answers\n"));
        fake_meter_stop(f);
        held_time_end();
        text_free(&said);
    }
}

static void what_a_gateway_says_of_absent_units_is_no_answer(void **state)
{
    static const int absent[] = {FAKE_EXCEPTION + 11, FAKE_EXCEPTION + 10, FAKE_GOOD,
                                 FAKE_EXCEPTION + 11};
    struct text said = TEXT_INIT;
    (void)state;
    held_time_begin(NULL);
    struct fake_meter *f = fake_meter_by_hand(true);
    fake_meter_script(f, -1, absent, 4);
    struct scan_result r = scan(f, true, 4, &said);
    assert_int_equal(r.unit_count, 1);
    assert_int_equal(r.units[0], 3);
    fake_meter_stop(f);
    held_time_end();
    text_free(&said);
}

static void a_meter_that_answers_to_every_unit_is_one_meter(void **state)
{
    struct text said = TEXT_INIT;
    (void)state;
    held_time_begin(NULL);
    struct fake_meter *f = fake_meter_by_hand(true);
    fake_meter_any_unit(f);
    struct scan_result r = scan(f, true, 247, &said);
    assert_true(r.any_unit);
    assert_int_equal(r.unit_count, 1);
    assert_int_equal(r.units[0], 1);
    fake_meter_stop(f);
    held_time_end();
    text_free(&said);
}

static void a_silent_line_is_tried_at_the_other_settings(void **state)
{
    struct text said = TEXT_INIT;
    (void)state;
    held_time_begin(NULL);
    struct fake_meter *f = fake_meter_by_hand(false);
    for (int unit = 0; unit < 256; unit++)
        fake_meter_silence(f, unit, true);
    struct scan_result r = scan(f, false, 5, &said);
    assert_int_equal(r.unit_count, 0);
    assert_int_equal(r.bus.baud, 9600); /* as it was configured */
    for (const char *const *s =
             (const char *const[]){"19200 baud, parity E", "115200 baud, parity N", NULL};
         *s; s++)
        assert_non_null(strstr(text_get(&said), *s));
    assert_null(strstr(text_get(&said), "9600 baud, parity N")); /* that was the first */
    fake_meter_stop(f);
    held_time_end();
    text_free(&said);
}

/* ---- which map ---- */

#define SPACE 2048

struct space {
    uint16_t words[2][SPACE]; /* functions 3 and 4 */
};

/* a panel in use, laid out by the map: the simulated meter's encoder */
static void lay(struct space *s, const struct meter_map *m)
{
    for (int f = 0; f < 2; f++)
        for (int i = 0; i < SPACE; i++)
            s->words[f][i] = 0;
    for (size_t i = 0; i < m->point_count; i++) {
        const struct meter_point *p = &m->points[i];
        uint16_t *words = s->words[p->function == 4];
        int exponent = p->scale_register >= 0 ? -1 : 0;
        if (p->scale_register >= 0)
            words[p->scale_register] = (uint16_t)exponent;
        for (int k = 0; k < p->channels; k++) {
            int channel = p->first_channel + k;
            double amps = channel % 3 == 0 ? 0.0 : 0.7 * channel;
            double value = p->quantity == FRAME_AMPS           ? amps
                           : p->quantity == FRAME_WATTS        ? 0.9 * 120.0 * amps
                           : p->quantity == FRAME_POWER_FACTOR ? 0.9
                                                               : 119.5;
            encode_value(p, exponent, value, words + p->address + k * p->stride);
        }
    }
}

static int worth(const struct space *s, const struct meter_map *m)
{
    struct site site;
    struct meter_plan plan;
    struct site_bus bus = {.port = 502};
    struct plan_line line = plan_line_without_holes(plan_line_tcp());
    static uint16_t registers[4096];
    assert_true(plausible_site(&site, &bus, 1, m));
    assert_int_equal(meter_plan_make(&site, 0, m, &line, &plan), METER_PLAN_OK);
    for (size_t i = 0; i < plan.read_count; i++)
        memcpy(registers + plan.reads[i].at,
               s->words[plan.reads[i].function == 4] + plan.reads[i].address,
               (size_t)plan.reads[i].count * sizeof registers[0]);
    struct plausible p = plausible_judge(&plan, &site, registers);
    meter_plan_free(&plan);
    site_free(&site);
    return plausible_worth(&p);
}

static const char *const shapes[] = {
    "branch-meter-12",
    "branch-meter-42",
    "feeder-meter-3",
    "scaled-meter-6",
    "ct-24-amps-16",
    "ct-42-milliamps-32-high-word-first",
    "ct-42-milliamps-32-low-word-first",
    "ct-24-float-high-word-first",
    "ct-42-float-low-word-first",
    "ct-12-blocks-with-energy",
    "ct-pairs-12",
    "main-split-phase-float",
};
#define SHAPES (sizeof shapes / sizeof shapes[0])

/* every shipped map with more than amps against a meter of every shape: registers that a meter
 * has not got read as 0 here, where a real one would refuse them, so this is the harder case */
static void each_shape_is_told_among_all_of_them(void **state)
{
    static struct space s;
    static struct meter_map maps[SHAPES];
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    for (size_t i = 0; i < SHAPES; i++)
        assert_true(config_load_map(&maps[i], NULL, shapes[i], &faults));
    for (size_t i = 0; i < SHAPES; i++) {
        int own, best = 0;
        const char *other = "none";
        lay(&s, &maps[i]);
        own = worth(&s, &maps[i]);
        for (size_t k = 0; k < SHAPES; k++) {
            int w = k == i ? 0 : worth(&s, &maps[k]);
            if (w > best) {
                best = w;
                other = shapes[k];
            }
        }
        if (own <= best)
            fail_msg("a %s: worth %d as itself, %d as %s", shapes[i], own, best, other);
    }
    faults_free(&faults);
}

static void a_meter_without_current_is_no_proof(void **state)
{
    static struct space s;
    struct meter_map m;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(config_load_map(&m, NULL, "ct-12-amps-16", &faults));
    memset(&s, 0, sizeof s);
    assert_int_equal(worth(&s, &m), 0);
    faults_free(&faults);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(those_who_answer_are_found_and_nobody_else),
        cmocka_unit_test(what_a_gateway_says_of_absent_units_is_no_answer),
        cmocka_unit_test(a_meter_that_answers_to_every_unit_is_one_meter),
        cmocka_unit_test(a_silent_line_is_tried_at_the_other_settings),
        cmocka_unit_test(each_shape_is_told_among_all_of_them),
        cmocka_unit_test(a_meter_without_current_is_no_proof),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
