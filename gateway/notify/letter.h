/*
 * letter - one message to one person: what stands in the outbox, and how it goes out.
 *
 * In the outbox a letter is a JSON object (letter_create .. letter_dump) that names no server
 * and no password. When it is sent it becomes a mail (RFC 5322 and MIME: plain text and HTML)
 * or the body of a webhook's POST. The Message-ID is made of the site and the outbox's row, so
 * a letter that goes twice is the same letter.
 *
 * Pure: text in, text out.
 */
#ifndef FORETRIP_LETTER_H
#define FORETRIP_LETTER_H

#include "base/text.h"

#include <jansson.h>
#include <stdint.h>

enum letter_part { LETTER_TITLE, LETTER_WHAT, LETTER_ACT, LETTER_SMALL };

/* A new reference; NULL when memory is short. priority: the word of the most urgent in it. */
json_t *letter_create(const char *site, const char *person, const char *language,
                      const char *priority, int64_t wall_ms, const char *subject);
void letter_add(json_t *letter, enum letter_part part, const char *text);
void letter_add_alarm(json_t *letter, const char *alarm, const char *kind, const char *priority,
                      const char *state);
/* Letters of one thread belong together: mail programs show them as one conversation. */
void letter_set_thread(json_t *letter, const char *thread);
char *letter_dump(const json_t *letter); /* malloc'ed */

/* What is added when it is sent. */
struct letter_envelope {
    const char *from,
        *to; /* mail: addresses, and who is shown beside them: the site, so that */
    const char *from_name, *to_name; /* a telephone shows which house it is; "" or NULL: none */
    int64_t id;                      /* of the outbox's row */
    int64_t wall_ms;                 /* now */
    const char *lost;                /* a sentence on earlier letters that were lost, or NULL */
};

/* The whole mail with CRLF. False when payload is no letter. */
bool letter_to_mail(const char *payload, const struct letter_envelope *e, struct text *out);

/* The JSON of the POST: id, site, person, time, subject, priority, thread, text, alarms. The
 * same. */
bool letter_to_webhook(const char *payload, const struct letter_envelope *e, struct text *out);

/* "<site>-<row>", the id of a letter: in a Message-ID and as a webhook's Idempotency-Key. */
void letter_id(const char *site, int64_t row, struct text *out);

#endif
