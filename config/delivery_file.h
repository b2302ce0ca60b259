/*
 * delivery_file - delivery.cfg: where messages go.
 *
 *     broker = { host = "broker.example"; username = "maple-12"; password_file =
 * "broker.password"; tls = { ca = "ca.pem"; }; };
 *
 * The groups mail and people are people_file.h's. Passwords stand in files of their own.
 * Relative paths are taken from the configuration directory.
 */
#ifndef FORETRIP_CONFIG_DELIVERY_FILE_H
#define FORETRIP_CONFIG_DELIVERY_FILE_H

#include "config/fields.h"

enum {
    BROKER_HOST,
    BROKER_PORT,
    BROKER_CLIENT_ID,
    BROKER_USERNAME,
    BROKER_PASSWORD_FILE,
    BROKER_KEEPALIVE,
    BROKER_UP,
    BROKER_UP_LOADS,
    BROKER_UP_ONLY,
    BROKER_COMMANDS,
    BROKER_TLS,
    BROKER_SPARKPLUG,
    BROKER_HOMIE,
    BROKER_KEYS
};
enum { TLS_CA, TLS_CERT, TLS_KEY, TLS_KEYS };
enum { SPARKPLUG_GROUP, SPARKPLUG_NODE, SPARKPLUG_HOST, SPARKPLUG_KEYS };
enum { HOMIE_DOMAIN, HOMIE_KEYS };

/* What stands when there is no delivery.cfg. */
void delivery_defaults(struct delivery *d, const struct site *site);

/* directory is put before relative paths, and the files are looked at; NULL: neither. logins:
 * people log in to the page, and somebody who is told nothing may be there for that. */
void delivery_file_read(struct delivery *d, const struct config_file *file,
                        const struct phrases *phrases, const char *directory, bool logins);

/* Its group broker alone; another file may have one too. */
void delivery_file_read_broker(struct delivery_broker *b, const struct config_file *file,
                               const char *directory);

/* Makes the path absolute where it is relative, and looks whether the file can be used. */
void delivery_settle_path(const struct config_file *file, const config_setting_t *group,
                          const char *key, const char *directory, bool secret,
                          char path[DELIVERY_PATH_SIZE]);

bool delivery_is_loopback(const char *host);

/* The tables, for the manual. */
extern const struct field broker_fields[BROKER_KEYS];
extern const struct field tls_fields[TLS_KEYS];
extern const struct field sparkplug_fields[SPARKPLUG_KEYS];
extern const struct field homie_fields[HOMIE_KEYS];

#endif
