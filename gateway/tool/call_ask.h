/*
 * call_ask - a service call's commands to the gateway, by way of the record, and what came of
 * them.
 */
#ifndef FORETRIP_TOOL_CALL_ASK_H
#define FORETRIP_TOOL_CALL_ASK_H

#include "record.h"

#include "analysis/call_texts.h"

#include <jansson.h>

struct call_asker {
    const struct record *record;
    const char *by, *as, *device;
};

/* Leaves the command (call-begin, call-answer) and waits until the gateway has taken it; takes
 * the reference. False, having said on standard error why not. */
bool call_ask(const struct call_asker *a, const char *verb, json_t *members);

/* The sheet of a call as the record has it now; NULL, having said why. */
json_t *call_ask_sheet(const struct record *r, const char *id, enum call_language l);

/* The id of the newest call of a circuit, or of its trip, that is open; false: none. */
bool call_ask_open(const struct record *r, const char *circuit, char id[EVENT_ID_SIZE]);

#endif
