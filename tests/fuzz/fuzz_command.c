/* What anybody may publish on a command topic: no crash, and either a command within its bounds
 * or a sentence.
 *
 * Input: the verb up to the first newline, the MQTT 5 response topic up to the second, the rest
 * is the payload; its first bytes are taken as correlation data as well. */
#include "lines.h"

#include "notify/command.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static bool bounded(const char *s, size_t size)
{
    return memchr(s, '\0', size) != NULL;
}

static void check(const struct command *c, const char *why, bool good)
{
    if (!bounded(c->alarm, sizeof c->alarm) || !bounded(c->by, sizeof c->by) ||
        !bounded(c->note, sizeof c->note) || !bounded(c->person, sizeof c->person) ||
        (c->person[0] && !site_id_valid(c->person)) ||
        !bounded(c->reply.id, sizeof c->reply.id) ||
        !bounded(c->reply.topic, sizeof c->reply.topic) || !bounded(why, COMMAND_WHY_SIZE))
        abort();
    if (strpbrk(c->reply.topic, "+#") || c->reply.topic[0] == '$' ||
        strncmp(c->reply.topic, "foretrip/s/command", 18) == 0)
        abort();
    if (good == (why[0] != '\0'))
        abort();
    for (const char *p = why; *p; p++)
        if ((unsigned char)*p < 0x20)
            abort();
    if (good &&
        (!bounded(c->call.call, sizeof c->call.call) ||
         !bounded(c->call.device, sizeof c->call.device) || c->call.answer >= CALL_ANSWERS ||
         c->call.danger >= CALL_DANGERS || c->call.as >= CALL_ASES))
        abort();
    if (good && c->verb == COMMAND_HISTORY &&
        (!bounded(c->span.circuit, sizeof c->span.circuit) || c->span.points < 1 ||
         c->span.points > COMMAND_MAX_POINTS || c->span.from_wall_ms < 0 ||
         c->span.to_wall_ms < 0))
        abort();
    if (good && c->verb == COMMAND_SHELVE &&
        !(c->seconds >= 1.0 && c->seconds <= COMMAND_MAX_SHELVE_SECONDS))
        abort();
    if (good && (c->verb == COMMAND_SHELVE || c->verb == COMMAND_ACKNOWLEDGE) &&
        (c->alarm[0] == '\0' || (c->by[0] == '\0' && c->person[0] == '\0')))
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct command c;
    char why[COMMAND_WHY_SIZE];
    char *verb = take_line(&data, &size), *topic = take_line(&data, &size);
    bool good = command_parse("foretrip/s/", verb, data, size, topic[0] ? topic : NULL, data,
                              size < 300 ? size : 0, &c, why);
    check(&c, why, good);
    free(verb);
    free(topic);
    return 0;
}
