/* people: who is told what, when - the states of ANSI/ISA-18.2 on one side, letters in the
 * outbox on the other */
#include "check.h"

#include "record.h"

#include "config/reader.h"
#include "notify/people.h"
#include "notify/wording.h"

#include <jansson.h>
#include <stdlib.h>

#define NOON INT64_C(1800014400000) /* 2027-01-15T12:00:00Z, a Friday */
#define MINUTE INT64_C(60000)
#define HOUR (60 * MINUTE)

struct office {
    struct config config;
    struct record record;
    struct people *people;
    int64_t now;
    int32_t offset;    /* of the site's clock from UTC, seconds */
    const char *by;    /* who does what is done next; NULL: nobody */
    int64_t read;      /* letters up to here were taken by `taken` */
    struct text taken; /* "topic: subject\n" of the letters of the last call */
    char last[4096];   /* payload of the newest */
};

static const char site[] =
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
#define KIM "id = \"kim\"; name = \"Kim\"; mail = \"kim@example.net\"; "

static void open_office(struct office *o, const char *people)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text delivery = TEXT_INIT;
    *o = (struct office){.now = NOON};
    text_printf(&delivery, MAIL "people = ( %s );\n", people);
    const struct config_text texts[] = {{"site.cfg", site, strlen(site)},
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

static void close_office(struct office *o)
{
    people_destroy(o->people);
    record_close(&o->record);
    record_finish(&o->record);
    config_free(&o->config);
    text_free(&o->taken);
}

static void alarm_is_by(struct office *o, int circuit, enum alarm_kind kind,
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

static void alarm_is(struct office *o, int circuit, enum alarm_kind kind,
                     enum alarm_priority priority, enum alarm_state state)
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

/* after so long: "topic: subject" of each new letter */
static const char *after(struct office *o, int64_t ms)
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

#define RAISE(o, circuit, kind, priority)                                                      \
    alarm_is(o, circuit, kind, priority, ALARM_UNACKNOWLEDGED)

static void an_alarm_is_one_letter_by_each_way_and_one_when_it_is_over(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "webhook = \"https://h.example.net/\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    assert_string_equal(after(&o, 1000), "");
    assert_string_equal(after(&o, 1000), "mail/kim: Breaker open, do not reset: 7 Bath\n"
                                         "webhook/kim: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "one reset at the most"));
    assert_non_null(strstr(o.last, "breaker 7 (Bath) in Main panel, 31 Alder Lane"));
    assert_non_null(strstr(o.last, "no protective device"));
    assert_string_equal(after(&o, 10 * HOUR), "");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "webhook/kim: Over: Breaker open, do not reset: 7 Bath\n");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 10 * HOUR), "");
    close_office(&o);
}

static void a_lower_priority_reaches_nobody_who_did_not_ask(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"lee\"; name = \"L\"; mail = \"l@example.net\"; "
                    "priority = \"low\"; }");
    RAISE(&o, 0, ALARM_METER_LOST, PRIORITY_LOW);
    assert_string_equal(after(&o, 2000), "mail/lee: Not watched now: meter main-07\n");
    close_office(&o);
}

static void thread_of(const struct office *o, char out[200])
{
    json_t *letter = json_loads(o->last, 0, NULL);
    snprintf(out, 200, "%s", json_string_value(json_object_get(letter, "thread")));
    json_decref(letter);
}

/* a warning that came true: the opening is told, in the same thread, and not that it is over */
static void a_warning_and_its_opening_are_one_thread(void **state)
{
    struct office o;
    char warned[200], opened[200], again[200];
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath\n");
    thread_of(&o, warned);
    after(&o, MINUTE);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is_by(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_NORMAL, false, "main-07.trip");
    assert_string_equal(after(&o, 2000), "mail/kim: Breaker open, do not reset: 7 Bath\n");
    thread_of(&o, opened);
    assert_string_equal(opened, warned);
    assert_string_equal(after(&o, HOUR), "");
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    after(&o, 2000);
    thread_of(&o, again);
    assert_string_equal(again, warned);
    RAISE(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH); /* another matter */
    after(&o, 2000);
    thread_of(&o, again);
    assert_string_not_equal(again, warned);
    close_office(&o);
}

/* an alert asks for nothing: whoever wants the low ones gets it, and all get the alarm */
static void an_alert_is_told_as_one_and_counts_as_no_alarm(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"lee\"; name = \"L\"; mail = \"l@example.net\"; "
                    "priority = \"low\"; repeat_minutes = 10; summary = \"daily\"; "
                    "summary_at = \"13:00\"; }, { id = \"max\"; name = \"M\"; "
                    "mail = \"m@example.net\"; priority = \"low\"; after_minutes = 5; }");
    alarm_is_by(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_LOW, ALARM_UNACKNOWLEDGED, true, NULL);
    assert_string_equal(after(&o, 2000), "mail/lee: Switch nothing more on: 7 Bath\n");
    assert_null(strstr(o.last, "foretrip acknowledge"));
    assert_string_equal(after(&o, 30 * MINUTE), ""); /* neither repeated nor unanswered */
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath\n"
                                         "mail/lee: Switch something off: 7 Bath\n");
    alarm_is(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "mail/lee: Summary: 31 Alder Lane\n");
    assert_non_null(strstr(o.last, "Alarms raised: 1, of these urgent: 0."));
    close_office(&o);
}

static void ten_at_once_are_one_letter_and_the_urgent_one_leads(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_FEEDER_OVERLOAD, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath (+2)\n");
    RAISE(&o, 2, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Opened again, leave it off: 1 Saw (+1)\n");
    close_office(&o);
}

/* what a feeder took with it is suppressed (analysis/suppression.h) within the gathering */
static void branches_that_go_with_a_feeder_are_not_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_SUPPRESSED);
    assert_string_equal(after(&o, 2000), "mail/kim: Feeder open: 14,16 Garage feeder\n");
    close_office(&o);
}

static void quiet_hours_hold_all_but_the_urgent(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
    after(&o, 11 * HOUR); /* 23:00 */
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, HOUR), "");
    alarm_is(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    RAISE(&o, 1, ALARM_BREAKER_DID_NOT_OPEN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Fire hazard, call now: 14,16 Garage feeder\n");
    assert_string_equal(after(&o, 6 * HOUR + 59 * MINUTE), ""); /* 06:59 */
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Breaker open, do not reset: 7 Bath (+1)\n");
    assert_non_null(strstr(o.last, "It was over again at 2027-01-16 00:00."));
    close_office(&o);
}

static void nobody_acknowledges_so_the_next_in_line_is_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; repeat_minutes = 60; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    assert_string_equal(after(&o, 14 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Nobody has acknowledged this since 2027-01-15 12:00. Told "
                                   "so far: Kim."));
    assert_string_equal(after(&o, 59 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Still: Breaker open, do not reset: 7 Bath\n");
    o.by = "Kim";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/reyes: Answered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Somebody is seeing to it now: Kim."));
    assert_null(strstr(o.last, "one reset at the most")); /* it asks for nothing */
    assert_string_equal(after(&o, 3 * HOUR), "");
    /* acknowledged in time: reyes hears nothing */
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "");
    /* over by itself before that: neither */
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 1, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "mail/kim: Over: Feeder open: 14,16 Garage feeder\n");
    close_office(&o);
}

static void shelving_silences_and_what_comes_after_it_is_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "repeat_minutes = 10; }");
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH, ALARM_SHELVED);
    assert_string_equal(after(&o, HOUR), "");
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH); /* shelving has ended */
    assert_string_equal(after(&o, 2000), "mail/kim: Too much for too long: 7 Bath\n");
    close_office(&o);
}

/* IEC 62682: a flood begins above ten alarms in ten minutes */
static void a_flood_becomes_one_letter_but_not_the_urgent(void **state)
{
    struct office o;
    size_t letters = 0;
    (void)state;
    open_office(&o, "{ " KIM "}");
    for (int i = 0; i < 40; i++) {
        RAISE(&o, i % 3, i % 2 ? ALARM_NEAR_OVERLOAD : ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
        letters += after(&o, 5000)[0] != '\0';
    }
    assert_int_equal(letters, 10);
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Opened again, leave it off: 7 Bath\n");
    assert_string_equal(after(&o, 5 * MINUTE), "");
    assert_string_equal(after(&o, 10 * MINUTE),
                        "mail/kim: Too much for too long: 14,16 Garage feeder (+5)\n");
    close_office(&o);
}

static void a_restart_tells_nobody_twice_and_forgets_nobody(void **state)
{
    struct office o;
    struct codec_out out = {0};
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; summary = \"daily\"; summary_at = \"13:00\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    people_save(o.people, &out);
    for (size_t cut = 5; cut < out.length; cut++) {
        struct codec_in part = {out.bytes, out.bytes + cut, false};
        struct people *p = people_create(&o.config.delivery, &o.config.phrases, &o.config.site,
                                         o.record.store);
        if (people_load(p, &part)) /* a cut between two sections cannot be seen */
            assert_true(part.at == part.end);
        people_destroy(p);
    }
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&out);
    assert_string_equal(after(&o, MINUTE), "");
    assert_string_equal(after(&o, 14 * MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "mail/reyes: Summary: 31 Alder Lane\n");
    assert_non_null(
        strstr(o.last, "Alarms raised: 1, of these urgent: 0. Breakers that opened: 1."));
    assert_non_null(strstr(o.last, "Breaker open, do not reset: 7 Bath"));
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "mail/reyes: Over: Breaker open, do not reset: 7 Bath\n");
    close_office(&o);
}

/* a feeder with its branches is one breaker, a dark house none */
static void a_summary_counts_breakers_as_people_are_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "summary = \"daily\"; summary_at = \"13:00\"; }");
    after(&o, 0);
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, -1, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    after(&o, 2000);
    assert_string_equal(after(&o, HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    assert_non_null(
        strstr(o.last, "Alarms raised: 4, of these urgent: 1. Breakers that opened: 3."));
    close_office(&o);
}

static void summaries_come_daily_and_weekly(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "summary = \"weekly\"; }");
    after(&o, 0);
    assert_string_equal(after(&o, 66 * HOUR), ""); /* Monday 06:00 */
    assert_string_equal(after(&o, HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    assert_non_null(strstr(o.last, "Nothing stands now."));
    assert_string_equal(after(&o, 24 * HOUR), "");
    assert_string_equal(after(&o, 6 * 24 * HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    close_office(&o);
}

static void spanish_is_told_in_spanish(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "language = \"es\"; }");
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000), "mail/kim: URGENTE Otra vez, no rearmar: 7 Bath\n");
    assert_null(strstr(o.last, "Something has happened"));
    assert_non_null(strstr(o.last, "No lo rearme más: un intento fallido basta."));
    assert_non_null(strstr(o.last, "no es un dispositivo de protección"));
    close_office(&o);
}

/* the numbers are for whoever judges; loads and numbers in their language */
static void an_electrician_gets_the_figures_too(void **state)
{
    static const struct event_load off = {.amps = 12.5, .appliance = "portable_heater"};
    static const struct event_near_overload near = {
        .amps = 26.0, .switch_off = &off, .switch_off_count = 1};
    struct office o;
    struct figures figures;
    (void)state;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_LOAD, 26.0);
    figures_add(&figures, FIGURE_BREAKER, 15.0);
    const struct event e = {.type = EVENT_ALARM,
                            .wall_ms = NOON,
                            .panel = -1,
                            .circuit = 0,
                            .alarm = {.id = "main-07.near_overload",
                                      .kind = ALARM_NEAR_OVERLOAD,
                                      .priority = PRIORITY_HIGH,
                                      .state = ALARM_UNACKNOWLEDGED,
                                      .text = "Too much.",
                                      .advice = "",
                                      .by = "",
                                      .note = "",
                                      .meter = -1,
                                      .near_overload = &near,
                                      .figures = &figures}};
    open_office(&o, "{ " KIM "role = \"electrician\"; language = \"es\"; }");
    people_event(o.people, &e);
    struct codec_out out = {0}; /* and they survive a restart */
    people_save(o.people, &out);
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&out);
    after(&o, 2000);
    assert_non_null(
        strstr(o.last, "lleva 26.0 A. Está encendido: calefactor portátil 12.5 A."));
    assert_non_null(strstr(o.last, "Cifras: carga 26.00 A, interruptor 15 A"));
    close_office(&o);
    open_office(&o, "{ " KIM "role = \"resident\"; }");
    people_event(o.people, &e);
    after(&o, 2000);
    assert_null(strstr(o.last, "load 26.00 A"));
    close_office(&o);
}

static size_t characters_of(const char *s)
{
    size_t n = 0;
    for (; *s; s++)
        n += ((unsigned char)*s & 0xc0) != 0x80;
    return n;
}

static void a_long_name_is_cut_to_sixty_characters(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    text_copy(o.config.site.circuits[0].name, SITE_NAME_SIZE,
              "Küche mit Spüle, Geschirrspüler, Kühlschrank und noch vielem mehr");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_URGENT);
    const char *subject = strchr(after(&o, 2000), ' ') + 1;
    assert_int_equal(characters_of(subject), 60 + 1); /* and the line's end */
    assert_non_null(strstr(subject, "\xe2\x80\xa6\n"));
    close_office(&o);
}

/* the trip alarm of main-07, by that cause, and what of it is new */
static void trip_says(struct office *o, enum trip_cause cause, enum alarm_state state,
                      enum alarm_change changed)
{
    struct figures figures;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_LOST_ITS_SUPPLY, 97.0);
    figures_add(&figures, (enum figure_what)(FIGURE_OVERLOAD + (int)cause), 90.0);
    struct event e = {.type = EVENT_ALARM, .wall_ms = o->now, .panel = -1, .circuit = 0};
    e.alarm = (struct event_alarm){.id = "main-07.trip",
                                   .kind = ALARM_TRIP,
                                   .priority = PRIORITY_HIGH,
                                   .state = state,
                                   .changed = changed,
                                   .raised_wall_ms = NOON,
                                   .text = "It has opened.",
                                   .advice = cause == CAUSE_OVERLOAD ? "Once." : "Never.",
                                   .figures = &figures,
                                   .by = "",
                                   .note = "",
                                   .meter = -1};
    people_event(o->people, &e);
}

static void advice_that_has_changed_reaches_whoever_was_told_once(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; language = \"es\"; }");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    assert_string_equal(after(&o, 2000), "mail/kim: Breaker open, overloaded: 7 Bath\n");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_ACKNOWLEDGED, ALARM_CHANGED_STATE);
    trip_says(&o, CAUSE_OVERLOAD, ALARM_ACKNOWLEDGED, ALARM_WORDS_CHANGED);
    assert_string_equal(after(&o, HOUR), ""); /* words alone call nobody */
    trip_says(&o, CAUSE_FAULT, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    assert_string_equal(after(&o, 2000), "mail/kim: Now: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "what to do has changed"));
    assert_non_null(strstr(o.last, "Never."));
    /* nobody has acknowledged that: who is next in line hears it, as it is now */
    assert_string_equal(after(&o, 15 * MINUTE),
                        "mail/reyes: Sin respuesta: Disparado, no rearmar: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "");
    close_office(&o);
}

/* who was not told yet hears it when it is due, in the newest words, and but once */
static void who_was_not_told_yet_hears_only_the_newest(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "quiet_from = \"12:00\"; quiet_to = \"13:00\"; }");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    assert_string_equal(after(&o, MINUTE), "");
    trip_says(&o, CAUSE_FAULT, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    assert_string_equal(after(&o, HOUR), "mail/kim: Breaker open, do not reset: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "");
    close_office(&o);
}

static void who_sees_to_it_is_not_told_that_somebody_does(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "after_minutes = 1; }, { id = \"reyes\"; name = \"R\"; "
                    "mail = \"r@example.net\"; after_minutes = 2; language = \"es\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_null(strstr(o.last, "Told so far"));
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Sin respuesta: Disparado, no rearmar: 7 Bath\n");
    assert_non_null(strstr(o.last, "Se avisó hasta ahora a: Kim."));
    o.by = "R";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Answered: Breaker open, do not reset: 7 Bath\n");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "mail/reyes: Terminado: Disparado, no rearmar: 7 Bath\n");
    close_office(&o);
}

static void who_acknowledged_is_known_after_a_restart_in_the_quiet_hours(void **state)
{
    struct office o;
    struct codec_out kept = {0};
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; quiet_from = \"13:00\"; quiet_to = \"14:00\"; }");
    after(&o, 30 * MINUTE);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    after(&o, 16 * MINUTE);
    after(&o, 20 * MINUTE); /* 13:06 */
    o.by = "Ada";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000), "");
    people_save(o.people, &kept);
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {kept.bytes, kept.bytes + kept.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&kept);
    assert_string_equal(after(&o, HOUR),
                        "mail/reyes: Answered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Somebody is seeing to it now: Ada."));
    close_office(&o);
}

/* by the clock on the wall: the night in which it is set back has an hour more */
static void quiet_hours_go_by_the_clock_of_the_site_also_when_it_changes(void **state)
{
    static const struct {
        int32_t before, later; /* offsets, hours */
        int64_t quiet_hours;   /* from 23:00 on */
    } nights[] = {{-5, -6, 9}, {-6, -5, 7}, {1, 1, 8}};
    (void)state;
    for (size_t i = 0; i < sizeof nights / sizeof nights[0]; i++) {
        struct office o;
        open_office(&o, "{ " KIM "quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
        o.offset = nights[i].before * 3600;
        after(&o, (11 - nights[i].before) * HOUR); /* 23:00 there */
        RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
        assert_string_equal(after(&o, 3 * HOUR), "");
        o.offset = nights[i].later * 3600; /* at 02:00 */
        assert_string_equal(after(&o, (nights[i].quiet_hours - 3) * HOUR - MINUTE), "");
        assert_string_equal(after(&o, MINUTE),
                            "mail/kim: Breaker open, do not reset: 7 Bath\n");
        close_office(&o);
    }
}

static void an_escalation_by_night_waits_for_the_morning_unless_it_is_urgent(void **state)
{
    struct office o;
    (void)state;
    open_office(&o,
                "{ " KIM "after_minutes = 15; quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
    after(&o, 11 * HOUR); /* 23:00 */
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_BREAKER_DID_NOT_OPEN, PRIORITY_URGENT);
    assert_string_equal(
        after(&o, 16 * MINUTE),
        "mail/kim: URGENT Unanswered: Fire hazard, call now: 14,16 Garage feed\xe2\x80\xa6\n");
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, 7 * HOUR + 43 * MINUTE), ""); /* 06:59 */
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Unanswered: Breaker open, do not reset: 7 Bath\n");
    close_office(&o);
}

/* the day on which the clock is set has one summary, at its hour */
static void a_summary_comes_once_also_when_the_clock_of_the_site_changes(void **state)
{
    static const int32_t offsets[][2] = {{-5, -6}, {-6, -5}, {1, 2}, {2, 1}, {0, 9}, {9, 0}};
    (void)state;
    for (size_t i = 0; i < sizeof offsets / sizeof offsets[0]; i++) {
        struct office o;
        int count = 0;
        int64_t last = 0;
        open_office(&o, "{ " KIM "summary = \"daily\"; summary_at = \"07:30\"; }");
        o.offset = offsets[i][0] * 3600;
        for (int hour = 0; hour < 96; hour++) {
            if (hour == 48)
                o.offset = offsets[i][1] * 3600;
            for (int half = 0; half < 2; half++) {
                if (!after(&o, 30 * MINUTE)[0])
                    continue;
                int64_t apart = last ? (o.now - last) / HOUR : 24;
                if (apart < 15 || apart > 33)
                    fail_msg("two summaries %lld h apart", (long long)apart);
                last = o.now;
                count++;
                int64_t local = (o.now / MINUTE + o.offset / 60) % 1440;
                if (local != 7 * 60 + 30)
                    fail_msg("a summary at minute %lld, offsets %d and %d", (long long)local,
                             offsets[i][0], offsets[i][1]);
            }
        }
        assert_true(count == 3 || count == 4); /* by when it began */
        close_office(&o);
    }
}

/* a gateway that believed it was years later, and then learned better */
static void a_clock_that_was_set_back_keeps_nobody_waiting(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; }");
    after(&o, 20000 * HOUR);
    for (int i = 0; i < 12; i++) { /* a flood of its own */
        RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
        after(&o, 2000);
        alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
        alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
        after(&o, 2000);
    }
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 1000);
    assert_string_equal(after(&o, -20000 * HOUR), "");
    assert_string_equal(after(&o, 1000), "mail/kim: Breaker open, do not reset: 1 Saw\n");
    assert_string_equal(after(&o, 14 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 1 Saw\n");
    close_office(&o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_alarm_is_one_letter_by_each_way_and_one_when_it_is_over),
        cmocka_unit_test(a_lower_priority_reaches_nobody_who_did_not_ask),
        cmocka_unit_test(a_warning_and_its_opening_are_one_thread),
        cmocka_unit_test(an_alert_is_told_as_one_and_counts_as_no_alarm),
        cmocka_unit_test(ten_at_once_are_one_letter_and_the_urgent_one_leads),
        cmocka_unit_test(branches_that_go_with_a_feeder_are_not_told),
        cmocka_unit_test(quiet_hours_hold_all_but_the_urgent),
        cmocka_unit_test(nobody_acknowledges_so_the_next_in_line_is_told),
        cmocka_unit_test(who_sees_to_it_is_not_told_that_somebody_does),
        cmocka_unit_test(who_acknowledged_is_known_after_a_restart_in_the_quiet_hours),
        cmocka_unit_test(quiet_hours_go_by_the_clock_of_the_site_also_when_it_changes),
        cmocka_unit_test(an_escalation_by_night_waits_for_the_morning_unless_it_is_urgent),
        cmocka_unit_test(a_summary_comes_once_also_when_the_clock_of_the_site_changes),
        cmocka_unit_test(a_clock_that_was_set_back_keeps_nobody_waiting),
        cmocka_unit_test(shelving_silences_and_what_comes_after_it_is_told),
        cmocka_unit_test(a_flood_becomes_one_letter_but_not_the_urgent),
        cmocka_unit_test(a_restart_tells_nobody_twice_and_forgets_nobody),
        cmocka_unit_test(a_summary_counts_breakers_as_people_are_told),
        cmocka_unit_test(summaries_come_daily_and_weekly),
        cmocka_unit_test(spanish_is_told_in_spanish),
        cmocka_unit_test(an_electrician_gets_the_figures_too),
        cmocka_unit_test(advice_that_has_changed_reaches_whoever_was_told_once),
        cmocka_unit_test(who_was_not_told_yet_hears_only_the_newest),
        cmocka_unit_test(a_long_name_is_cut_to_sixty_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
