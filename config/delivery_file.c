#include "delivery_file.h"

#include "config/people_file.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define AT(type, member) .offset = offsetof(struct type, member)
#define TEXT_AT(type, member) AT(type, member), .size = sizeof((struct type *)0)->member

const struct field broker_fields[BROKER_KEYS] = {
    [BROKER_HOST] = {"host", FIELD_TEXT, .required = true, TEXT_AT(delivery_broker, host),
                     .help = "name or address of the MQTT broker"},
    [BROKER_PORT] = {"port", FIELD_INTEGER, AT(delivery_broker, port), .least = 1,
                     .most = 65535, .fallback = "1883, with tls 8883", .help = "its TCP port"},
    [BROKER_CLIENT_ID] = {"client_id", FIELD_TEXT, TEXT_AT(delivery_broker, client_id),
                          .fallback = "foretrip-<site id>",
                          .help =
                              "what the gateway calls itself there; no two clients share one"},
    [BROKER_USERNAME] = {"username", FIELD_TEXT, TEXT_AT(delivery_broker, username),
                         .fallback = "none", .help = "account at the broker"},
    [BROKER_PASSWORD_FILE] = {"password_file", FIELD_TEXT,
                              TEXT_AT(delivery_broker, password_file), .fallback = "none",
                              .help = "file whose first line is the account's password"},
    [BROKER_KEEPALIVE] = {"keepalive_seconds", FIELD_INTEGER,
                          AT(delivery_broker, keepalive_seconds), .least = 5, .most = 3600,
                          .fallback = "30",
                          .help = "a silent connection is looked after in this time"},
    [BROKER_UP] = {"up", FIELD_SWITCH, AT(delivery_broker, up), .fallback = "false",
                   .help = "the record goes out a second time, numbered and in batches, for a "
                           "centre that gathers many sites; without loads that come and go"},
    [BROKER_UP_LOADS] = {"up_loads", FIELD_SWITCH, AT(delivery_broker, up_loads),
                         .fallback = "false",
                         .help = "the loads that came and went go to the centre too, which "
                                 "says what people do at home: with their consent"},
    [BROKER_UP_ONLY] = {"up_only", FIELD_SWITCH, AT(delivery_broker, up_only),
                        .fallback = "false",
                        .help = "for a centre's own broker: nothing but `up`, `status` and "
                                "answers goes there; what circuits carry, events and alarms by "
                                "themselves stay at the site"},
    [BROKER_COMMANDS] = {"commands_named", FIELD_SWITCH, AT(delivery_broker, named),
                         .fallback = "false",
                         .help =
                             "commands only to topics that end in the id of one of `people`, "
                             "which the broker's access rules give to them alone"},
    [BROKER_TLS] =
        {"tls", FIELD_GROUP, .fallback = "no TLS",
         .help =
             "with it, even empty, the connection is encrypted and the broker's name checked"},
    [BROKER_SPARKPLUG] = {"sparkplug", FIELD_GROUP, .fallback = "off",
                          .help = "with it, even empty, the house is an edge node of Sparkplug "
                                  "3.0 as well"},
    [BROKER_HOMIE] = {"homie", FIELD_GROUP, .fallback = "off",
                      .help = "with it, even empty, the house is a device of Homie 5 as well"},
};

const struct field sparkplug_fields[SPARKPLUG_KEYS] = {
    [SPARKPLUG_GROUP] = {"group", FIELD_TEXT, TEXT_AT(delivery_sparkplug, group),
                         .fallback = "foretrip", .help = "group id, without / + #"},
    [SPARKPLUG_NODE] = {"node", FIELD_TEXT, TEXT_AT(delivery_sparkplug, node),
                        .fallback = "the site's id",
                        .help =
                            "edge node id, without / + #; no two nodes of a group share one"},
    [SPARKPLUG_HOST] = {"primary_host", FIELD_TEXT, TEXT_AT(delivery_sparkplug, primary_host),
                        .fallback = "none",
                        .help = "id of the host application that is waited for, without / + #"},
};

const struct field homie_fields[HOMIE_KEYS] = {
    [HOMIE_DOMAIN] = {"domain", FIELD_TEXT, TEXT_AT(delivery_homie, domain),
                      .fallback = "homie", .help = "first level of its topics, without / + #"},
};

const struct field tls_fields[TLS_KEYS] = {
    [TLS_CA] = {"ca", FIELD_TEXT, TEXT_AT(delivery_tls, ca),
                .fallback = "the system's authorities",
                .help = "PEM file of the authority that signed the broker's certificate"},
    [TLS_CERT] = {"cert", FIELD_TEXT, TEXT_AT(delivery_tls, cert), .fallback = "none",
                  .help = "PEM file of the gateway's own certificate"},
    [TLS_KEY] = {"key", FIELD_TEXT, TEXT_AT(delivery_tls, key), .fallback = "none",
                 .help = "PEM file of its key"},
};

enum { TOP_BROKER, TOP_MAIL, TOP_PEOPLE, TOP_KEYS };
static const struct field top_fields[TOP_KEYS] = {
    [TOP_BROKER] = {.name = "broker", .kind = FIELD_GROUP},
    [TOP_MAIL] = {.name = "mail", .kind = FIELD_GROUP},
    [TOP_PEOPLE] = {.name = "people", .kind = FIELD_LIST},
};

void delivery_defaults(struct delivery *d, const struct site *site)
{
    *d = (struct delivery){.broker = {.port = 1883, .keepalive_seconds = 30}};
    snprintf(d->broker.client_id, sizeof d->broker.client_id, "foretrip-%s", site->id);
    text_copy(d->broker.sparkplug.group, sizeof d->broker.sparkplug.group, "foretrip");
    text_copy(d->broker.sparkplug.node, sizeof d->broker.sparkplug.node, site->id);
    text_copy(d->broker.homie.domain, sizeof d->broker.homie.domain, "homie");
}

void delivery_settle_path(const struct config_file *file, const config_setting_t *group,
                          const char *key, const char *directory, bool secret,
                          char path[DELIVERY_PATH_SIZE])
{
    struct stat st;
    int line = field_line(group, key);
    if (!path[0] || !directory)
        return;
    if (path[0] != '/') {
        char whole[2 * DELIVERY_PATH_SIZE];
        int n = snprintf(whole, sizeof whole, "%s/%s", directory, path);
        if (n < 0 || !text_copy(path, DELIVERY_PATH_SIZE, whole)) {
            field_error(file, line, "%s: the path is longer than %d bytes", key,
                        DELIVERY_PATH_SIZE - 1);
            return;
        }
    }
    /* warnings: whoever checks may not be the user that the gateway runs as */
    if (stat(path, &st) != 0 || access(path, R_OK) != 0)
        field_warning(file, line, "%s: the file %s cannot be read", key, path);
    else if (secret && (st.st_mode & (S_IRWXO)))
        field_warning(file, line, "%s: the file %s is open to everybody; chmod o= it", key,
                      path);
    else if (!secret)
        field_certificate(file, line, key, path);
}

bool delivery_is_loopback(const char *host)
{
    return strcmp(host, "localhost") == 0 || strncmp(host, "127.", 4) == 0 ||
           strcmp(host, "::1") == 0;
}

static void read_tls(const struct config_file *file, const config_setting_t *group,
                     const char *directory, struct delivery_tls *tls)
{
    fields_read(file, group, "the group tls", tls_fields, TLS_KEYS, tls);
    tls->enabled = true;
    if (!tls->cert[0] != !tls->key[0])
        field_error(file, field_line(group, tls->cert[0] ? "cert" : "key"),
                    "tls has a %s and no %s; a client certificate needs both",
                    tls->cert[0] ? "cert" : "key", tls->cert[0] ? "key" : "cert");
    delivery_settle_path(file, group, "ca", directory, false, tls->ca);
    delivery_settle_path(file, group, "cert", directory, false, tls->cert);
    delivery_settle_path(file, group, "key", directory, true, tls->key);
}

/* a text that becomes one level of a topic */
static void check_level(const struct config_file *file, const config_setting_t *group,
                        const char *key, const char *value)
{
    if (strpbrk(value, "/+#") || value[0] == '$')
        field_error(file, field_line(group, key),
                    "%s = \"%s\": one level of a topic, without / + # and no $ in front", key,
                    value);
}

static void read_conventions(const struct config_file *file, const config_setting_t *broker,
                             struct delivery_broker *b)
{
    const config_setting_t *g = config_setting_get_member(broker, "sparkplug");
    if (g && config_setting_is_group(g)) {
        fields_read(file, g, "the group sparkplug", sparkplug_fields, SPARKPLUG_KEYS,
                    &b->sparkplug);
        check_level(file, g, "group", b->sparkplug.group);
        check_level(file, g, "node", b->sparkplug.node);
        check_level(file, g, "primary_host", b->sparkplug.primary_host);
        b->sparkplug.enabled = true;
    }
    g = config_setting_get_member(broker, "homie");
    if (g && config_setting_is_group(g)) {
        fields_read(file, g, "the group homie", homie_fields, HOMIE_KEYS, &b->homie);
        check_level(file, g, "domain", b->homie.domain);
        b->homie.enabled = true;
    }
}

void delivery_file_read_broker(struct delivery_broker *b, const struct config_file *file,
                               const char *directory)
{
    const config_setting_t *group = config_setting_get_member(file->root, "broker");
    if (!group || !config_setting_is_group(group))
        return;
    struct fields_result keys =
        fields_read(file, group, "the group broker", broker_fields, BROKER_KEYS, b);
    if (keys.given & FIELD_BIT(BROKER_TLS)) {
        read_tls(file, config_setting_get_member(group, "tls"), directory, &b->tls);
        if (!(keys.given & FIELD_BIT(BROKER_PORT)))
            b->port = 8883;
    }
    read_conventions(file, group, b);
    if (b->up_only && (!b->up || b->sparkplug.enabled || b->homie.enabled))
        field_error(file, field_line(group, "up_only"),
                    b->up ? "up_only keeps all else at home; sparkplug and homie publish it"
                          : "up_only without up = true would publish nothing");
    delivery_settle_path(file, group, "password_file", directory, true, b->password_file);
    /* MQTT 3.1.1, 3.1.2.9: a password only with a user name */
    if (b->password_file[0] && !b->username[0] && !(keys.faulty & FIELD_BIT(BROKER_USERNAME)))
        field_error(
            file, field_line(group, "password_file"),
            "password_file without username; MQTT takes a password only with a user name");
    if (b->password_file[0] && !b->tls.enabled && !delivery_is_loopback(b->host))
        field_warning(file, field_line(group, "host"),
                      "the password goes to \"%s\" in the clear; add tls = { }", b->host);
}

void delivery_file_read(struct delivery *d, const struct config_file *file,
                        const struct phrases *phrases, const char *directory, bool logins)
{
    fields_read(file, file->root, "delivery.cfg", top_fields, TOP_KEYS, NULL);
    people_file_read(d, file, phrases, directory, logins);
    delivery_file_read_broker(&d->broker, file, directory);
}
