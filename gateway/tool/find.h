/*
 * find - what somebody names on the command line, in the site.
 *
 * Each returns its index, or -1 having said so on standard error: with the id that is nearest,
 * and for a number that is a position of a panel with the id of the circuit there.
 */
#ifndef FORETRIP_TOOL_FIND_H
#define FORETRIP_TOOL_FIND_H

#include "model/site.h"

int find_circuit(const struct site *s, const char *verb, const char *word);
int find_panel(const struct site *s, const char *verb, const char *word);
int find_meter(const struct site *s, const char *verb, const char *word);

#endif
