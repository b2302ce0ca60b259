#include "fleet_file.h"

#include "config/delivery_file.h"
#include "config/page_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AT(member) .offset = offsetof(struct fleet_settings, member)
#define TEXT_AT(member) AT(member), .size = sizeof((struct fleet_settings *)0)->member

static const char *const intake_words[] = {"mqtt", "amqp", NULL};

const struct field fleet_fields[FLEET_KEYS] = {
    [FLEET_DATABASE] = {"database", FIELD_TEXT, TEXT_AT(database), .fallback = "fleet.db",
                        .help = "file of SQLite, for up to some hundred sites, or "
                                "postgresql://user@host/name (its password in ~/.pgpass)"},
    [FLEET_KNOWN_ONLY] = {"known_only", FIELD_SWITCH, AT(known_only), .fallback = "false",
                          .help = "what comes of a site that nobody has added is passed over"},
    [FLEET_INTAKE] = {"intake", FIELD_WORD, AT(intake), .words = intake_words,
                      .fallback = "mqtt",
                      .help = "mqtt: a shared subscription; amqp: the queues of a cluster"},
    [FLEET_GROUP] = {"group", FIELD_ID, TEXT_AT(group), .fallback = "fleet",
                     .help = "collectors of one group share the work"},
    [FLEET_QUEUES] = {"queues", FIELD_INTEGER, AT(queues), .least = 1, .most = 256,
                      .fallback = "8",
                      .help = "with amqp: how many queues the sites are spread over"},
    [FLEET_VHOST] = {"vhost", FIELD_TEXT, TEXT_AT(vhost), .fallback = "/",
                     .help = "with amqp: the virtual host"},
    [FLEET_NODES] = {"nodes", FIELD_TEXT, TEXT_AT(nodes), .fallback = "none",
                     .help = "further nodes of the broker's cluster, \"host:port host:port\"; "
                             "each is tried in turn"},
    [FLEET_MQTT_NODES] = {"mqtt", FIELD_TEXT, TEXT_AT(mqtt), .fallback = "none",
                          .help = "with amqp: where the same cluster takes MQTT, \"host:port "
                                  "host:port\"; a unit's gateway is asked there"},
    [FLEET_ASK_AS] = {"ask_as", FIELD_ID, TEXT_AT(ask_as), .fallback = "none",
                      .help = "id of the person in the gateways' delivery.cfg as whom they are "
                              "asked; that role counts there"},
};

static const char *const role_words[] = {"manager", "contractor", "administrator", NULL};
static const enum delivery_role roles[] = {ROLE_MANAGER, ROLE_CONTRACTOR, ROLE_ADMINISTRATOR};

#define PERSON_AT(member) .offset = offsetof(struct delivery_person, member)
#define PERSON_TEXT(member)                                                                    \
    PERSON_AT(member), .size = sizeof((struct delivery_person *)0)->member

const struct field fleet_person_fields[FLEET_PERSON_KEYS] = {
    [FLEET_PERSON_ID] = {"id", FIELD_ID, .required = true, PERSON_TEXT(id),
                         .help = "short name, for the login"},
    [FLEET_PERSON_NAME] = {"name", FIELD_TEXT, .required = true, PERSON_TEXT(name),
                           .help = "as it stands beside what they did; a contractor's with the "
                                   "firm"},
    [FLEET_PERSON_ROLE] = {"role", FIELD_WORD, .required = true, PERSON_AT(role),
                           .words = role_words,
                           .help = "manager: all units, without what tenants have on; "
                                   "contractor: units of their own open work orders; "
                                   "administrator: what managers see, and who may log in"},
};

#define ADMIT_AT(member) .offset = offsetof(struct fleet_admit, member)
const struct field fleet_admit_fields[FLEET_ADMIT_KEYS] = {
    [FLEET_ADMIT_LISTEN] = {"listen", FIELD_TEXT, ADMIT_AT(listen),
                            .size = sizeof((struct fleet_admit *)0)->listen,
                            .fallback = "127.0.0.1",
                            .help = "address on which gateways are let in; 0.0.0.0: every one"},
    [FLEET_ADMIT_PORT] = {"port", FIELD_INTEGER, ADMIT_AT(port), .least = 1, .most = 65535,
                          .fallback = "8443", .help = "its TCP port"},
    [FLEET_ADMIT_DAYS] = {"certificate_days", FIELD_INTEGER, ADMIT_AT(certificate_days),
                          .least = 1, .most = 825, .fallback = "90",
                          .help =
                              "how long a gateway's certificate is good; it is renewed when "
                              "a third of that is left"},
    [FLEET_ADMIT_HOURS] = {"code_hours", FIELD_INTEGER, ADMIT_AT(code_hours), .least = 1,
                           .most = 720, .fallback = "72",
                           .help = "how long a code of enrolment is good"},
};

enum { TOP_FLEET, TOP_BROKER, TOP_ADMIT, TOP_PAGE, TOP_PEOPLE, TOP_KEYS };
static const struct field top_fields[TOP_KEYS] = {
    [TOP_FLEET] = {.name = "fleet", .kind = FIELD_GROUP},
    [TOP_BROKER] = {.name = "broker", .kind = FIELD_GROUP},
    [TOP_ADMIT] = {.name = "admit", .kind = FIELD_GROUP},
    [TOP_PAGE] = {.name = "page", .kind = FIELD_GROUP},
    [TOP_PEOPLE] = {.name = "people", .kind = FIELD_LIST},
};

static void set_defaults(struct fleet_settings *f)
{
    *f = (struct fleet_settings){.queues = 8,
                                 .database = "fleet.db",
                                 .group = "fleet",
                                 .vhost = "/",
                                 .admit = {.listen = "127.0.0.1",
                                           .port = 8443,
                                           .certificate_days = 90,
                                           .code_hours = 72},
                                 .page = page_defaults(),
                                 .broker = {.host = "127.0.0.1", .keepalive_seconds = 30}};
    f->page.port = FLEET_PAGE_PORT;
}

static void check_nodes(const char *list, const char *key, const struct config_file *file,
                        const config_setting_t *group)
{
    struct fleet_node node;
    for (const char *at = list; *at;) {
        size_t length = strcspn(at, " ");
        if (length > 0 && !fleet_read_node(at, length, &node))
            field_error(file, field_line(group, key), "%s has \"%.*s\", which is no host:port",
                        key, (int)length, at);
        at += length + (at[length] == ' ');
    }
}

static void read_people(struct delivery *d, const struct config_file *file)
{
    const config_setting_t *people = config_setting_get_member(file->root, "people");
    int count = people && config_setting_is_list(people) ? config_setting_length(people) : 0;
    if (count > DELIVERY_MAX_PEOPLE) {
        field_error(file, field_line(file->root, "people"), "people has %d groups; %d fit",
                    count, DELIVERY_MAX_PEOPLE);
        return;
    }
    for (int i = 0; i < count; i++) {
        struct delivery_person p = {.language = "en"};
        const config_setting_t *group = config_setting_get_elem(people, (unsigned)i);
        struct fields_result keys =
            fields_read(file, group, "a person", fleet_person_fields, FLEET_PERSON_KEYS, &p);
        if ((keys.given & FIELD_BIT(FLEET_PERSON_ID)) && delivery_find_person(d, p.id) >= 0)
            field_error(file, field_line(group, "id"), "there is a person \"%s\" already",
                        p.id);
        p.role = (int)roles[p.role];
        d->people[d->person_count++] = p;
    }
}

/* somebody has to be there who lets the others in */
static void check_logins(const struct fleet_settings *f, const struct config_file *file)
{
    if (f->page.off || !page_asks_who(&f->page))
        return;
    for (size_t i = 0; i < f->people.person_count; i++)
        if (f->people.people[i].role == ROLE_ADMINISTRATOR)
            return;
    field_error(
        file, field_line(file->root, "page"),
        "people log in to the page, and nobody is there who could let them in: give one "
        "of people role = \"administrator\"");
}

static void read_file(struct fleet_settings *f, const struct config_file *file,
                      const char *directory)
{
    fields_read(file, file->root, "fleet.cfg", top_fields, TOP_KEYS, NULL);
    const config_setting_t *group = config_setting_get_member(file->root, "fleet");
    if (group && config_setting_is_group(group)) {
        fields_read(file, group, "the group fleet", fleet_fields, FLEET_KEYS, f);
        check_nodes(f->nodes, "nodes", file, group);
        check_nodes(f->mqtt, "mqtt", file, group);
    }
    delivery_file_read_broker(&f->broker, file, directory);
    group = config_setting_get_member(file->root, "admit");
    if (group && config_setting_is_group(group))
        fields_read(file, group, "the group admit", fleet_admit_fields, FLEET_ADMIT_KEYS,
                    &f->admit);
    char *whole = directory ? realpath(directory, NULL) : NULL;
    page_file_read_group(&f->page, file, whole);
    free(whole);
    read_people(&f->people, file);
    check_logins(f, file);
}

/* what depends on more than one key */
static void settle(struct fleet_settings *f, const char *directory)
{
    char path[2 * DELIVERY_PATH_SIZE];
    if (f->broker.port == 0)
        f->broker.port = f->intake == FLEET_AMQP ? (f->broker.tls.enabled ? 5671 : 5672)
                                                 : (f->broker.tls.enabled ? 8883 : 1883);
    if (!directory || f->database[0] == '/' || strstr(f->database, "://"))
        return;
    snprintf(path, sizeof path, "%s/%s", directory, f->database);
    text_copy(f->database, sizeof f->database, path);
}

static bool load(struct fleet_settings *out, const struct config_source *source,
                 struct config_faults *faults)
{
    struct config_file file;
    size_t before = faults->errors;
    set_defaults(out);
    if (source_open(&file, source, "fleet.cfg", faults) == SOURCE_OPEN) {
        read_file(out, &file, source->directory);
        source_close(&file);
    }
    settle(out, source->directory);
    return faults->errors == before;
}

bool fleet_file_load(struct fleet_settings *out, const char *directory,
                     struct config_faults *faults)
{
    return load(out, &(struct config_source){.directory = directory}, faults);
}

bool fleet_file_load_memory(struct fleet_settings *out, const struct config_text *texts,
                            size_t count, struct config_faults *faults)
{
    return load(out, &(struct config_source){.texts = texts, .count = count}, faults);
}
