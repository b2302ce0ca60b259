/* What a gateway sends back, read: the topic it came on, the id, and whether it says yes. */
#include "ask.h"

#include "intake.h"

#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool ask_read_topic(const char *topic, const char *asker, char site[SITE_ID_SIZE])
{
    const char *word;
    return intake_read_topic(topic, '/', site, &word) && strncmp(word, "reply/", 6) == 0 &&
           strcmp(word + 6, asker) == 0;
}

/* a gateway's sentence is shown to people: nothing in it may upset a terminal */
static void take_sentence(const json_t *o, char why[ASK_WHY_SIZE])
{
    const char *error = json_string_value(json_object_get(o, "error"));
    text_copy(why, ASK_WHY_SIZE, error && error[0] ? error : "the gateway does not say why");
    for (char *s = why; *s; s++)
        if ((unsigned char)*s < 0x20 || *s == 0x7f)
            *s = ' ';
}

static enum ask_err read_object(const json_t *o, char id[ASK_ID_SIZE], char why[ASK_WHY_SIZE])
{
    const char *given = json_string_value(json_object_get(o, "id"));
    const json_t *ok = json_object_get(o, "ok");
    if (!given || !text_copy(id, ASK_ID_SIZE, given)) {
        id[0] = '\0';
        snprintf(why, ASK_WHY_SIZE, "the answer has no id");
        return ASK_ERR_ANSWER;
    }
    if (json_is_true(ok))
        return ASK_OK;
    if (!json_is_false(ok)) {
        snprintf(why, ASK_WHY_SIZE, "the answer says neither yes nor no");
        return ASK_ERR_ANSWER;
    }
    take_sentence(o, why);
    return ASK_ERR_REFUSED;
}

enum ask_err ask_read_answer(const void *payload, size_t length, char id[ASK_ID_SIZE],
                             char why[ASK_WHY_SIZE])
{
    json_error_t error = {0};
    id[0] = why[0] = '\0';
    if (length > ASK_MOST_BYTES) {
        snprintf(why, ASK_WHY_SIZE, "the answer has %zu bytes, and %zu are the most", length,
                 ASK_MOST_BYTES);
        return ASK_ERR_LARGE;
    }
    json_t *o = json_loadb(payload, length, JSON_REJECT_DUPLICATES, &error);
    enum ask_err err = ASK_ERR_ANSWER;
    if (json_is_object(o))
        err = read_object(o, id, why);
    else
        snprintf(why, ASK_WHY_SIZE, "the answer is no JSON object");
    json_decref(o);
    return err;
}

void ask_answer_free(struct ask_answer *x)
{
    free(x->json);
    x->json = NULL;
    x->length = 0;
}

const char *ask_strerror(enum ask_err err)
{
    switch (err) {
    case ASK_OK: return "answered";
    case ASK_ERR_BUSY: return "too many questions at once; try again";
    case ASK_ERR_BAD: return "that cannot be asked";
    case ASK_ERR_BROKER: return "the broker is not there";
    case ASK_ERR_FORBIDDEN: return "the broker does not let this centre ask";
    case ASK_ERR_GATEWAY: return "the unit's gateway is not connected";
    case ASK_ERR_TIME: return "no answer in time";
    case ASK_ERR_REFUSED: return "the unit's gateway refuses";
    case ASK_ERR_LARGE: return "the answer is too long";
    case ASK_ERR_ANSWER: return "the answer cannot be read";
    case ASK_ERR_MEMORY: return "memory is short";
    case ASK_ERR_STOPPED: return "the centre is stopping";
    }
    return "unknown error of asking";
}
