/*
 * answer - what the gateway says and does on a command from MQTT or from the page.
 */
#ifndef FORETRIP_ANSWER_H
#define FORETRIP_ANSWER_H

#include "analysis/engine.h"
#include "config/reader.h"
#include "notify/mqtt.h"
#include "store/reader.h"
#include "web/web.h"

#include <jansson.h>

/* Carries the command out on the engine and answers it; r: of the store's record. wall_ms is
 * now. */
void answer_command(struct mqtt *m, const struct config *config, struct engine *e,
                    struct store *store, struct store_reader *r, int64_t wall_ms,
                    const struct command *c);

/* How the gateway, its record and its outbox are. */
json_t *answer_status(struct mqtt *m, const struct site *s, const struct store *store,
                      int64_t wall_ms);

/* The same for what was asked of the page: judged, carried out and put on disk the same way. */
void answer_ask(struct web *w, const struct config *config, struct engine *e,
                struct store *store, struct store_reader *r, int64_t wall_ms,
                struct web_ask *ask);

/* The same for what a program at the gateway wished (store/wishes.h). */
void answer_wish(struct engine *e, struct store *store, struct store_reader *r, int64_t wall_ms,
                 const char *verb, const char *body);

#endif
