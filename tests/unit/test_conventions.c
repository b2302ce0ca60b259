/* what the open conventions say: ids and description of Homie 5, payloads of Sparkplug 3.0, the
 * worst alarm */
#include "check.h"

#include "notify/bulletin.h"
#include "notify/homie_names.h"
#include "notify/sparkplug_payload.h"

#include <jansson.h>

#include <math.h>
#include <stdlib.h>

static void add_circuit(struct site *s, const char *id, const char *position, const char *name)
{
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, id);
    strcpy(c->position, position);
    strcpy(c->name, name);
    c->panel = 0;
    c->poles = 1;
    strcpy(c->leg, "A");
    c->breaker_amps = 15;
    c->meter = -1;
}

static void make_site(struct site *s)
{
    site_init(s);
    strcpy(s->id, "Mill_Lane-3");
    strcpy(s->name, "3 Mill Lane");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "cellar");
    p->legs = 1;
    p->fed_by = -1;
    add_circuit(s, "Cellar_01", "1", "Bath");
    add_circuit(s, "cellar-01", "2", "");
    add_circuit(s, "house", "3", "Stairs");
    add_circuit(s, "cellar_01", "4", "Hall");
    site_finish(s);
}

/* Homie Convention 5, Topic IDs: only a-z, 0-9 and '-' */
static void ids_are_those_of_the_convention_and_stay_apart(void **state)
{
    struct site s;
    struct homie_names n;
    (void)state;
    make_site(&s);
    assert_true(homie_names_make(&n, &s));
    assert_string_equal(n.device, "mill-lane-3");
    assert_string_equal(n.circuits[0], "cellar-01");
    assert_string_equal(n.circuits[1], "cellar-01-2");
    assert_string_equal(n.circuits[2], "house");
    assert_string_equal(n.circuits[3], "cellar-01-3");
    assert_string_equal(n.house, "house-2");
    homie_names_free(&n);
    char id[16];
    homie_id("m1.meter_lost\xc3\xa9 and more", id, sizeof id);
    assert_string_equal(id, "m1-meter-lost--");
    site_free(&s);
}

/* Homie Convention 5, Device attributes: homie and version needed, an enum needs its format */
static void the_description_says_every_property(void **state)
{
    struct site s;
    struct homie_names n;
    (void)state;
    make_site(&s);
    assert_true(homie_names_make(&n, &s));
    char *text = homie_description(&n, &s, 1795716885);
    json_t *o = json_loads(text, 0, NULL);
    assert_string_equal(json_string_value(json_object_get(o, "homie")), "5.0");
    assert_int_equal(json_integer_value(json_object_get(o, "version")), 1795716885);
    const json_t *nodes = json_object_get(o, "nodes");
    assert_int_equal(json_object_size(nodes), 5);
    const json_t *node = json_object_get(nodes, "cellar-01");
    assert_string_equal(json_string_value(json_object_get(node, "name")), "1 Bath");
    const json_t *properties = json_object_get(node, "properties");
    assert_int_equal(json_object_size(properties), HOMIE_CIRCUIT_PROPERTIES);
    const json_t *breaker = json_object_get(properties, "state");
    assert_string_equal(json_string_value(json_object_get(breaker, "datatype")), "enum");
    assert_string_equal(json_string_value(json_object_get(breaker, "format")),
                        "closed,open,unknown");
    json_decref(o);
    free(text);
    homie_names_free(&n);
    site_free(&s);
}

static void expect_bytes(const struct sparkplug_payload *p, int seq, int64_t wall_ms,
                         const char *wanted, size_t length)
{
    size_t n = 0;
    uint8_t *bytes = sparkplug_payload_pack(p, seq, wall_ms, &n);
    assert_non_null(bytes);
    assert_int_equal(n, length);
    assert_memory_equal(bytes, wanted, length);
    free(bytes);
}

/* By hand from the field numbers of the specification's chapter 6 and protobuf's wire format
 * (protobuf.dev/programming-guides/encoding): tag = number * 8 + wire type. */
static void payloads_are_as_the_field_numbers_have_them(void **state)
{
    struct sparkplug_payload p = {0};
    (void)state;
    sparkplug_payload_add(&p,
                          &(struct sparkplug_metric){.name = "bdSeq", .type = SPARKPLUG_INT64});
    /* metrics 2, name 1, datatype 4, long_value 11; no seq, no timestamp */
    expect_bytes(&p, -1, 0,
                 "\x12\x0b\x0a\x05"
                 "bdSeq"
                 "\x20\x04\x58\x00",
                 13);

    sparkplug_payload_clear(&p);
    sparkplug_payload_add(&p, &(struct sparkplug_metric){.name = "a",
                                                         .type = SPARKPLUG_FLOAT,
                                                         .wall_ms = 1,
                                                         .number = 1.5,
                                                         .historical = true});
    sparkplug_payload_add(
        &p, &(struct sparkplug_metric){
                .name = "b", .type = SPARKPLUG_FLOAT, .wall_ms = 1, .number = (double)NAN});
    sparkplug_payload_add(
        &p, &(struct sparkplug_metric){
                .name = "c", .type = SPARKPLUG_STRING, .wall_ms = 1, .text = "on"});
    sparkplug_payload_add(
        &p, &(struct sparkplug_metric){
                .name = "d", .type = SPARKPLUG_BOOLEAN, .wall_ms = 1, .number = 1});
    sparkplug_payload_add(&p,
                          &(struct sparkplug_metric){
                              .name = "e", .type = SPARKPLUG_INT32, .wall_ms = 1, .number = 7});
    expect_bytes(&p, 255, 2,
                 "\x08\x02" /* timestamp 1 */
                 "\x12\x0e\x0a\x01"
                 "a"
                 "\x18\x01\x20\x09\x28\x01\x65\x00\x00\xc0\x3f"
                 "\x12\x09\x0a\x01"
                 "b"
                 "\x18\x01\x20\x09\x38\x01"
                 "\x12\x0b\x0a\x01"
                 "c"
                 "\x18\x01\x20\x0c\x7a\x02"
                 "on"
                 "\x12\x09\x0a\x01"
                 "d"
                 "\x18\x01\x20\x0b\x70\x01"
                 "\x12\x09\x0a\x01"
                 "e"
                 "\x18\x01\x20\x03\x50\x07"
                 "\x18\xff\x01" /* seq 3 */,
                 2 + 16 + 11 + 13 + 11 + 11 + 3);
    sparkplug_payload_free(&p);
}

static void only_a_true_rebirth_asks_for_one(void **state)
{
    struct sparkplug_payload p = {0};
    size_t n;
    (void)state;
    sparkplug_payload_add(&p, &(struct sparkplug_metric){.name = "Node Control/Rebirth",
                                                         .type = SPARKPLUG_BOOLEAN,
                                                         .number = 1});
    uint8_t *bytes = sparkplug_payload_pack(&p, -1, 5, &n);
    assert_true(sparkplug_payload_asks_rebirth(bytes, n));
    assert_false(sparkplug_payload_asks_rebirth(bytes, n - 1)); /* cut off */
    bytes[n - 1] = 0;
    assert_false(sparkplug_payload_asks_rebirth(bytes, n));
    assert_false(sparkplug_payload_asks_rebirth("", 0));
    assert_false(sparkplug_payload_asks_rebirth("{\"rebirth\":true}", 16));
    free(bytes);
    sparkplug_payload_free(&p);
}

static void the_worst_alarm_of_a_circuit_speaks_for_it(void **state)
{
    static struct bulletin_alarms a = {
        .list = {{.id = "m1.meter_lost", .priority = PRIORITY_URGENT},
                 {.id = "x.1", .circuit = "x", .priority = PRIORITY_LOW},
                 {.id = "x.2", .circuit = "x", .priority = PRIORITY_HIGH},
                 {.id = "x.3", .circuit = "x", .priority = PRIORITY_HIGH}},
        .count = 4};
    (void)state;
    assert_string_equal(bulletin_worst(&a, "x")->id, "x.2"); /* the newer of two equals */
    assert_null(bulletin_worst(&a, "y"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ids_are_those_of_the_convention_and_stay_apart),
        cmocka_unit_test(the_description_says_every_property),
        cmocka_unit_test(payloads_are_as_the_field_numbers_have_them),
        cmocka_unit_test(only_a_true_rebirth_asks_for_one),
        cmocka_unit_test(the_worst_alarm_of_a_circuit_speaks_for_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
