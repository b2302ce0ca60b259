#include "intake.h"

#include "base/text.h"

#include <string.h>

struct intake *intake_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE])
{
    why[0] = '\0';
    return o->settings->intake == FLEET_AMQP ? intake_amqp_open(o, why)
                                             : intake_mqtt_open(o, why);
}

void intake_close(struct intake *i)
{
    if (i)
        i->ways->close(i);
}

bool intake_turn(struct intake *i, int timeout_ms)
{
    return i->ways->turn(i, timeout_ms);
}

void intake_taken(struct intake *i, uint64_t tag)
{
    i->ways->taken(i, tag);
}

void intake_leave(struct intake *i)
{
    i->ways->leave(i);
}

bool intake_ask(struct intake *i, const char *site, const char *verb, const char *json)
{
    return i->ways->ask(i, site, verb, json);
}

bool intake_read_topic(const char *topic, char separator, char site[SITE_ID_SIZE],
                       const char **word)
{
    static const char root[] = "foretrip";
    size_t n = sizeof root - 1;
    if (strncmp(topic, root, n) != 0 || topic[n] != separator)
        return false;
    const char *id = topic + n + 1, *end = strchr(id, separator);
    if (!end || (size_t)(end - id) >= SITE_ID_SIZE)
        return false;
    memcpy(site, id, (size_t)(end - id));
    site[end - id] = '\0';
    *word = end + 1;
    return site_id_valid(site);
}

bool intake_hand_on(const struct intake *i, const char *topic, char separator,
                    const void *payload, size_t length, uint64_t tag)
{
    char site[SITE_ID_SIZE];
    const char *word;
    const struct intake_calls *calls = i->options.calls;
    if (!intake_read_topic(topic, separator, site, &word))
        return false;
    if (strcmp(word, "up") == 0)
        calls->up(i->options.context, site, payload, length, tag);
    else if (strcmp(word, "status") == 0)
        calls->line(i->options.context, site, length == 6 && memcmp(payload, "online", 6) == 0,
                    tag);
    else
        return false;
    return true;
}
