/* fleet.cfg: what is said of a faulty one, and what comes out of a good one */
#include "check.h"

#include "config/fleet_file.h"

static bool load(struct fleet_settings *f, const char *text, struct config_faults *faults)
{
    const struct config_text texts[] = {{"fleet.cfg", text, strlen(text)}};
    return fleet_file_load_memory(f, texts, 1, faults);
}

static void without_a_word_it_is_the_embedded_store_and_a_broker_here(void **state)
{
    struct fleet_settings f;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(fleet_file_load_memory(&f, NULL, 0, &faults));
    assert_string_equal(f.database, "fleet.db");
    assert_int_equal(f.intake, FLEET_MQTT);
    assert_string_equal(f.broker.host, "127.0.0.1");
    assert_int_equal(f.broker.port, 1883);
    assert_false(f.known_only);
    faults_free(&faults);
}

static void a_cluster_is_read(void **state)
{
    struct fleet_settings f;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct fleet_node nodes[FLEET_MOST_NODES];
    (void)state;
    assert_true(
        load(&f,
             "fleet = { database = \"postgresql://fleet@db/fleet\"; intake = \"amqp\";\n"
             " queues = 16; nodes = \"mq2.example:5671  [::1]:5672\"; };\n"
             "broker = { host = \"mq1.example\"; tls = { }; port = 5671; };",
             &faults));
    assert_string_equal(f.database, "postgresql://fleet@db/fleet");
    assert_int_equal(f.queues, 16);
    assert_int_equal(fleet_list_nodes(&f, nodes), 3);
    assert_string_equal(nodes[0].host, "mq1.example");
    assert_string_equal(nodes[1].host, "mq2.example");
    assert_int_equal(nodes[1].port, 5671);
    assert_int_equal(nodes[2].port, 5672);
    faults_free(&faults);
}

static void a_mistake_gets_a_sentence(void **state)
{
    static const struct {
        const char *text, *says;
    } cases[] = {
        {"fleet = { databse = \"x\"; };", "unknown key \"databse\""},
        {"fleet = { intake = \"smoke\"; };", "intake = \"smoke\""},
        {"fleet = { queues = 0; };", "queues = 0 is out of range"},
        {"fleet = {\n nodes = \"mq2\"; };", "nodes has \"mq2\", which is no host:port"},
        {"fleet = { nodes = \"a:1 b:99999\"; };", "nodes has \"b:99999\""},
        {"fleet = { nodes = \":1\"; };", "nodes has \":1\""},
        {"brokers = { };", "unknown key \"brokers\""},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct fleet_settings f;
        struct config_faults faults = CONFIG_FAULTS_INIT;
        if (load(&f, cases[i].text, &faults))
            fail_msg("case %zu is taken", i);
        if (!strstr(faults.list[0].text, cases[i].says))
            fail_msg("case %zu says: %s", i, faults.list[0].text);
        faults_free(&faults);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(without_a_word_it_is_the_embedded_store_and_a_broker_here),
        cmocka_unit_test(a_cluster_is_read),
        cmocka_unit_test(a_mistake_gets_a_sentence),
    };
    return cmocka_run_group_tests_name("config_fleet", tests, NULL, NULL);
}
