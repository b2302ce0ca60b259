/*
 * leave - what the tool wants changed in the panel directory, left for the gateway to do.
 */
#ifndef FORETRIP_TOOL_LEAVE_H
#define FORETRIP_TOOL_LEAVE_H

#include "record.h"

#include <jansson.h>

/* Leaves the wish (daemon/directory_change.h says what is in it; takes the reference) in the
 * record and waits some seconds for the gateway to carry it out. by NULL: the login's name.
 * EXIT_GOOD also when no gateway took it yet, having said that it waits. */
enum exit_code leave_directory_wish(const struct record *r, const char *verb, json_t *wish,
                                    const char *by);

/* The directory as JSON, with what was learned of the loads; what = -1 for all panels. A new
 * reference, NULL having said why. csv (may be NULL) gets it as a table. */
struct text;
json_t *leave_read_directory(const struct record *r, const char *verb, int panel,
                             struct text *csv);

#endif
