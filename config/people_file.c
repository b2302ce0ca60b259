#include "people_file.h"

#include "config/delivery_file.h"

#include <string.h>

#define TIME_SIZE 8

/* a person as written; the times are made of it afterwards */
struct raw_person {
    struct delivery_person person;
    char quiet_from[TIME_SIZE], quiet_to[TIME_SIZE], summary_at[TIME_SIZE];
};

static const char *const security_words[] = {"starttls", "tls", "none", NULL};
static const char *const role_words[] = {"resident", "electrician", "manager", "administrator",
                                         NULL};
static const char *const priority_words[] = {"urgent", "high", "low", NULL};
static const char *const summary_words[] = {"none", "daily", "weekly", NULL};

#define AT(type, member) .offset = offsetof(struct type, member)
#define TEXT_AT(type, member) AT(type, member), .size = sizeof((struct type *)0)->member
#define PERSON_AT(member) AT(raw_person, person.member)
#define PERSON_TEXT(member)                                                                    \
    PERSON_AT(member), .size = sizeof((struct delivery_person *)0)->member

const struct field mail_fields[MAIL_KEYS] = {
    [MAIL_HOST] = {"host", FIELD_TEXT, .required = true, TEXT_AT(delivery_mail, host),
                   .help = "name of the mail server that takes our mail (SMTP)"},
    [MAIL_PORT] = {"port", FIELD_INTEGER, AT(delivery_mail, port), .least = 1, .most = 65535,
                   .fallback = "587, with \"tls\" 465, with \"none\" 25",
                   .help = "its TCP port"},
    [MAIL_SECURITY] = {"security", FIELD_WORD, AT(delivery_mail, security),
                       .words = security_words, .fallback = "\"starttls\"",
                       .help = "starttls: nothing is sent unless the server turns to TLS; tls: "
                               "from the first byte; none: in the clear"},
    [MAIL_USERNAME] = {"username", FIELD_TEXT, TEXT_AT(delivery_mail, username),
                       .fallback = "none", .help = "account at the server"},
    [MAIL_PASSWORD_FILE] = {"password_file", FIELD_TEXT, TEXT_AT(delivery_mail, password_file),
                            .fallback = "none",
                            .help = "file whose first line is the account's password"},
    [MAIL_FROM] = {"from", FIELD_TEXT, .required = true, TEXT_AT(delivery_mail, from),
                   .help = "address that messages come from"},
    [MAIL_CA] = {"ca", FIELD_TEXT, TEXT_AT(delivery_mail, ca),
                 .fallback = "the system's authorities",
                 .help = "PEM file of the authority that signed the server's certificate"},
};

const struct field person_fields[PERSON_KEYS] = {
    [PERSON_ID] = {"id", FIELD_ID, .required = true, PERSON_TEXT(id),
                   .help = "short name of the person"},
    [PERSON_NAME] = {"name", FIELD_TEXT, .required = true, PERSON_TEXT(name),
                     .help = "as it stands in the record beside what they did"},
    [PERSON_ROLE] = {"role", FIELD_WORD, PERSON_AT(role), .words = role_words,
                     .fallback = "\"resident\"",
                     .help = "what they may see and do, by the page and over MQTT"},
    [PERSON_LANGUAGE] = {"language", FIELD_ID, PERSON_TEXT(language), .fallback = "\"en\"",
                         .help = "of their messages: en, es, or one of phrases.cfg"},
    [PERSON_MAIL] = {"mail", FIELD_TEXT, PERSON_TEXT(mail), .fallback = "none",
                     .help = "mail address"},
    [PERSON_WEBHOOK] = {"webhook", FIELD_TEXT, PERSON_TEXT(webhook), .fallback = "none",
                        .help = "URL that each message is posted to as JSON"},
    [PERSON_TOKEN_FILE] = {"token_file", FIELD_TEXT, PERSON_TEXT(token_file),
                           .fallback = "none",
                           .help = "file whose first line the webhook is shown as a bearer "
                                   "token"},
    [PERSON_WEBHOOK_CA] = {"webhook_ca", FIELD_TEXT, PERSON_TEXT(webhook_ca),
                           .fallback = "the system's authorities",
                           .help = "PEM file of the authority that signed the webhook's "
                                   "certificate"},
    [PERSON_PRIORITY] = {"priority", FIELD_WORD, PERSON_AT(least), .words = priority_words,
                         .fallback = "\"high\"",
                         .help = "the lowest priority that reaches them"},
    [PERSON_QUIET_FROM] = {"quiet_from", FIELD_TEXT, TEXT_AT(raw_person, quiet_from),
                           .fallback = "none",
                           .help = "from then on only urgent ones; the rest comes as one "
                                   "message when the quiet hours end"},
    [PERSON_QUIET_TO] = {"quiet_to", FIELD_TEXT, TEXT_AT(raw_person, quiet_to),
                         .fallback = "none", .help = "when they end; may be past midnight"},
    [PERSON_AFTER] = {"after_minutes", FIELD_INTEGER, PERSON_AT(after_minutes), .least = 0,
                      .most = 1440, .fallback = "0",
                      .help = "told only when nobody has acknowledged the alarm by then"},
    [PERSON_REPEAT] = {"repeat_minutes", FIELD_INTEGER, PERSON_AT(repeat_minutes), .least = 0,
                       .most = 1440, .fallback = "0, told once",
                       .help = "told again so often until it is acknowledged or over"},
    [PERSON_SUMMARY] = {"summary", FIELD_WORD, PERSON_AT(summary), .words = summary_words,
                        .fallback = "\"none\"",
                        .help = "what there was, daily or weekly (on Monday)"},
    [PERSON_SUMMARY_AT] = {"summary_at", FIELD_TEXT, TEXT_AT(raw_person, summary_at),
                           .fallback = "\"07:00\"", .help = "when it comes"},
};

/* ---- mail ---- */

static bool is_address(const char *s)
{
    const char *at = strchr(s, '@');
    return at && at != s && at[1] && !strchr(at + 1, '@') && !strpbrk(s, " \t<>()[],;:\\\"");
}

static void check_address(const struct config_file *file, const config_setting_t *group,
                          const char *key, const char *address)
{
    if (!is_address(address))
        field_error(file, field_line(group, key),
                    "%s = \"%.80s\" is no mail address; write it as \"name@example.net\"", key,
                    address);
}

static void read_mail(struct delivery_mail *m, const struct config_file *file,
                      const config_setting_t *group, const char *directory)
{
    static const int ports[] = {
        [SECURITY_STARTTLS] = 587, [SECURITY_TLS] = 465, [SECURITY_NONE] = 25};
    struct fields_result keys =
        fields_read(file, group, "the group mail", mail_fields, MAIL_KEYS, m);
    if (!(keys.given & FIELD_BIT(MAIL_PORT)))
        m->port = ports[m->security];
    if (keys.given & FIELD_BIT(MAIL_FROM))
        check_address(file, group, "from", m->from);
    if (!m->username[0] != !m->password_file[0] &&
        !(keys.faulty & (FIELD_BIT(MAIL_USERNAME) | FIELD_BIT(MAIL_PASSWORD_FILE))))
        field_error(file, field_line(group, m->username[0] ? "username" : "password_file"),
                    "mail has a %s and no %s; a login needs both",
                    m->username[0] ? "username" : "password_file",
                    m->username[0] ? "password_file" : "username");
    if (m->security == SECURITY_NONE && !delivery_is_loopback(m->host))
        field_warning(file, field_line(group, "security"),
                      "messages%s go to \"%s\" in the clear; security = \"starttls\" is safer",
                      m->password_file[0] ? " and the password" : "", m->host);
    delivery_settle_path(file, group, "password_file", directory, true, m->password_file);
    delivery_settle_path(file, group, "ca", directory, false, m->ca);
}

/* ---- people ---- */

/* minutes since midnight, DELIVERY_NO_MINUTE with a fault when it is none */
static int read_minute(const struct config_file *file, const config_setting_t *group,
                       const char *key, const char *s)
{
    bool shape = strlen(s) == 5 && s[2] == ':' && strspn(s, "0123456789:") == 5 &&
                 s[0] != ':' && s[1] != ':' && s[3] != ':' && s[4] != ':';
    int hour = shape ? (s[0] - '0') * 10 + s[1] - '0' : 99;
    int minute = shape ? (s[3] - '0') * 10 + s[4] - '0' : 99;
    if (hour < 24 && minute < 60)
        return hour * 60 + minute;
    field_error(file, field_line(group, key),
                "%s = \"%s\" is no time of the day; write it as \"22:00\"", key, s);
    return DELIVERY_NO_MINUTE;
}

#define GIVEN(keys, row) (((keys).given & FIELD_BIT(row)) != 0)

static void read_times(struct raw_person *raw, const struct config_file *file,
                       const config_setting_t *group, struct fields_result keys)
{
    struct delivery_person *p = &raw->person;
    if (GIVEN(keys, PERSON_QUIET_FROM))
        p->quiet_from = read_minute(file, group, "quiet_from", raw->quiet_from);
    if (GIVEN(keys, PERSON_QUIET_TO))
        p->quiet_to = read_minute(file, group, "quiet_to", raw->quiet_to);
    if (GIVEN(keys, PERSON_SUMMARY_AT))
        p->summary_minute = read_minute(file, group, "summary_at", raw->summary_at);
    uint64_t both = FIELD_BIT(PERSON_QUIET_FROM) | FIELD_BIT(PERSON_QUIET_TO);
    uint64_t given = keys.given & both;
    if (given && given != both && !(keys.faulty & both))
        field_error(file, config_setting_source_line(group) ? field_line(group, "id") : 0,
                    "\"%s\" has only one end of the quiet hours; they need quiet_from and "
                    "quiet_to",
                    p->id);
    else if (given == both && p->quiet_from == p->quiet_to && p->quiet_from >= 0)
        field_error(file, field_line(group, "quiet_to"),
                    "the quiet hours of \"%s\" end when they begin", p->id);
}

static void check_ways(const struct delivery *d, const struct delivery_person *p, bool logins,
                       const struct config_file *file, const config_setting_t *group)
{
    if (p->mail[0])
        check_address(file, group, "mail", p->mail);
    if (p->mail[0] && !d->mail.host[0])
        field_error(file, field_line(group, "mail"),
                    "\"%s\" has a mail address, but there is no group mail that names a server",
                    p->id);
    if (p->webhook[0] && strncmp(p->webhook, "https://", 8) != 0 &&
        strncmp(p->webhook, "http://", 7) != 0)
        field_error(file, field_line(group, "webhook"),
                    "webhook = \"%.80s\" is no URL; it begins with https:// (or http://)",
                    p->webhook);
    else if (strncmp(p->webhook, "http://", 7) == 0 &&
             strncmp(p->webhook + 7, "127.", 4) != 0 &&
             strncmp(p->webhook + 7, "localhost", 9) != 0)
        field_warning(file, field_line(group, "webhook"),
                      "what happens in this home goes to \"%.80s\" in the clear; use https://",
                      p->webhook);
    if (!p->mail[0] && !p->webhook[0] && !logins)
        field_warning(file, field_line(group, "id"),
                      "\"%s\" has neither mail nor webhook and is told nothing", p->id);
}

static void read_person(struct delivery *d, const struct config_file *file,
                        const config_setting_t *group, const struct phrases *phrases,
                        const char *directory, bool logins)
{
    struct raw_person raw = {.person = {.language = "en",
                                        .least = PRIORITY_HIGH,
                                        .quiet_from = DELIVERY_NO_MINUTE,
                                        .quiet_to = DELIVERY_NO_MINUTE,
                                        .summary_minute = 7 * 60}};
    struct delivery_person *p = &raw.person;
    struct fields_result keys =
        fields_read(file, group, "a person", person_fields, PERSON_KEYS, &raw);
    if (GIVEN(keys, PERSON_ID) && delivery_find_person(d, p->id) >= 0)
        field_error(file, field_line(group, "id"), "there is a person \"%s\" already", p->id);
    if (GIVEN(keys, PERSON_LANGUAGE) && !phrases_find(phrases, p->language))
        field_error(file, field_line(group, "language"),
                    "language = \"%s\": there are no phrases in it; there are en and es, and "
                    "phrases.cfg may add one",
                    p->language);
    read_times(&raw, file, group, keys);
    if (GIVEN(keys, PERSON_ID))
        check_ways(d, p, logins, file, group);
    delivery_settle_path(file, group, "token_file", directory, true, p->token_file);
    delivery_settle_path(file, group, "webhook_ca", directory, false, p->webhook_ca);
    d->people[d->person_count++] = *p;
}

void people_file_read(struct delivery *d, const struct config_file *file,
                      const struct phrases *phrases, const char *directory, bool logins)
{
    const config_setting_t *mail = config_setting_get_member(file->root, "mail");
    const config_setting_t *people = config_setting_get_member(file->root, "people");
    if (mail && config_setting_is_group(mail))
        read_mail(&d->mail, file, mail, directory);
    if (!people || !config_setting_is_list(people))
        return;
    int count = config_setting_length(people);
    if (count > DELIVERY_MAX_PEOPLE) {
        field_error(file, field_line(file->root, "people"), "people has %d groups; %d fit",
                    count, DELIVERY_MAX_PEOPLE);
        return;
    }
    for (int i = 0; i < count; i++)
        read_person(d, file, config_setting_get_elem(people, (unsigned)i), phrases, directory,
                    logins);
}
