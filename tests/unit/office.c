#include "office.h"

#include "check.h"

#include <jansson.h>
#include <stdlib.h>

const char office_site[] =
    "site = { id = \"alder-31\"; name = \"31 Alder Lane\"; timezone = \"UTC\";\n"
    "  standard = \"UL489\"; nominal_volts = 120.0; };\n"
    "panels = ( { id = \"main\"; name = \"Main panel\"; legs = 2; rating_amps = 100; },\n"
    "  { id = \"garage\"; name = \"Garage\"; legs = 2; rating_amps = 60; fed_by = \"main-14\"; "
    "} );\n"
    "circuits = ( { id = \"main-07\"; panel = \"main\"; position = \"7\"; name = \"Bath\";\n"
    "    breaker_amps = 15; leg = \"A\"; },\n"
    "  { id = \"main-14\"; panel = \"main\"; position = \"14,16\"; name = \"Garage feeder\";\n"
    "    poles = 2; leg = \"AB\"; breaker_amps = 60; },\n"
    "  { id = \"garage-01\"; panel = \"garage\"; position = \"1\"; name = \"Saw\";\n"
    "    breaker_amps = 20; leg = \"A\"; } );\n";

#define MAIL "mail = { host = \"localhost\"; from = \"h@example.net\"; };\n"

void open_office(struct office *o, const char *people)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text delivery = TEXT_INIT;
    *o = (struct office){.now = NOON};
    text_printf(&delivery, MAIL "people = ( %s );\n", people);
    const struct config_text texts[] = {{"site.cfg", office_site, strlen(office_site)},
                                        {"delivery.cfg", text_get(&delivery), delivery.length}};
    if (!config_load_memory(&o->config, texts, 2, &faults))
        fail_msg("%s: %s", faults.list[0].file, faults.list[0].text);
    faults_free(&faults);
    text_free(&delivery);
    record_init(&o->record);
    assert_int_equal(record_open(&o->record, (struct store_options){0}), STORE_OK);
    o->people = people_create(&o->config.delivery, &o->config.phrases, &o->config.site,
                              o->record.store);
    assert_non_null(o->people);
}

void close_office(struct office *o)
{
    people_destroy(o->people);
    record_close(&o->record);
    record_finish(&o->record);
    config_free(&o->config);
    text_free(&o->taken);
}

void alarm_is_by(struct office *o, int circuit, enum alarm_kind kind,
                 enum alarm_priority priority, enum alarm_state state, bool alert,
                 const char *taken_by)
{
    char id[EVENT_ID_SIZE];
    struct event e = {.type = EVENT_ALARM, .wall_ms = o->now, .panel = -1, .circuit = circuit};
    snprintf(id, sizeof id, "%s.%s",
             circuit >= 0 ? o->config.site.circuits[circuit].id : o->config.site.id,
             alarm_kind_name(kind));
    e.alarm = (struct event_alarm){.id = id,
                                   .kind = kind,
                                   .priority = priority,
                                   .alert = alert,
                                   .taken_by = taken_by,
                                   .state = state,
                                   .raised_wall_ms = o->now,
                                   .text = "Something has happened.",
                                   .advice = "Only an adult; one reset at the most.",
                                   .by = o->by ? o->by : "",
                                   .note = "",
                                   .meter = -1};
    people_event(o->people, &e);
}

void alarm_is(struct office *o, int circuit, enum alarm_kind kind, enum alarm_priority priority,
              enum alarm_state state)
{
    alarm_is_by(o, circuit, kind, priority, state, false, NULL);
}

static bool take_row(void *context, const struct store_row *row)
{
    struct office *o = context;
    json_t *letter = json_loads(row->payload, 0, NULL);
    assert_non_null(letter);
    text_printf(&o->taken, "%s: %s\n", row->topic,
                json_string_value(json_object_get(letter, "subject")));
    text_copy(o->last, sizeof o->last, row->payload);
    json_decref(letter);
    o->read = row->id;
    return true;
}

const char *after(struct office *o, int64_t ms)
{
    struct record *r = &o->record;
    o->now += ms;
    people_tick(o->people, o->now, o->offset);
    store_commit(r->store, o->now, o->now);
    text_clear(&o->taken);
    assert_int_equal(
        store_read_messages(r->reader, STORE_ROUTE_LETTER, o->read, 100, take_row, o),
        STORE_OK);
    return text_get(&o->taken);
}
