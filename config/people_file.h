/*
 * people_file - the groups mail and people of delivery.cfg: who is told, by what way, when.
 *
 *     mail = { host = "mail.example.net"; username = "alder-31"; password_file =
 * "mail.password"; from = "alder-31@example.net"; }; people = ( { id = "kim"; name = "Kim Ito";
 * role = "resident"; mail = "kim@example.net"; } );
 */
#ifndef FORETRIP_CONFIG_PEOPLE_FILE_H
#define FORETRIP_CONFIG_PEOPLE_FILE_H

#include "config/fields.h"

enum {
    MAIL_HOST,
    MAIL_PORT,
    MAIL_SECURITY,
    MAIL_USERNAME,
    MAIL_PASSWORD_FILE,
    MAIL_FROM,
    MAIL_CA,
    MAIL_KEYS
};
enum {
    PERSON_ID,
    PERSON_NAME,
    PERSON_ROLE,
    PERSON_LANGUAGE,
    PERSON_MAIL,
    PERSON_WEBHOOK,
    PERSON_TOKEN_FILE,
    PERSON_WEBHOOK_CA,
    PERSON_PRIORITY,
    PERSON_QUIET_FROM,
    PERSON_QUIET_TO,
    PERSON_AFTER,
    PERSON_REPEAT,
    PERSON_SUMMARY,
    PERSON_SUMMARY_AT,
    PERSON_KEYS
};

/* Reads both groups of the file, as far as they are there. directory and logins as for
 * delivery_file_read. */
void people_file_read(struct delivery *d, const struct config_file *file,
                      const struct phrases *phrases, const char *directory, bool logins);

/* The tables, for the manual. */
extern const struct field mail_fields[MAIL_KEYS];
extern const struct field person_fields[PERSON_KEYS];

#endif
