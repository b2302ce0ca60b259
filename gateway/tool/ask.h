/*
 * ask - one command to the running gateway, over its broker, and the answer.
 */
#ifndef FORETRIP_TOOL_ASK_H
#define FORETRIP_TOOL_ASK_H

#include "verbs.h"

#include "config/reader.h"

#include <jansson.h>

struct ask {
    const char *verb;   /* of the tool, for what is said; the same word as the command's */
    const char *person; /* whose topic is used; NULL: the one that names nobody */
};

/* Publishes `members` (taken) as the command and waits up to 10 s for the answer. EXIT_GOOD
 * when the gateway did it; else what went wrong stands on standard error. */
enum exit_code ask_gateway(const struct ask *a, const struct config *c, json_t *members);

#endif
