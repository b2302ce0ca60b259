/*
 * running - what the running gateway says of itself: the JSON object that foretripd --status
 * keeps up every 10 s, and takes away when it ends.
 */
#ifndef FORETRIP_TOOL_RUNNING_H
#define FORETRIP_TOOL_RUNNING_H

#include <jansson.h>
#include <stdbool.h>

#define RUNNING_DIRECTORY "/run/foretrip" /* the service's */
#define RUNNING_STALE_MS 35000            /* without a new one for three times its period */
#define RUNNING_WHY_SIZE 512

/* The caller's (json_decref). NULL, with a sentence in why, when there is none, it cannot be
 * read, its process is gone (killed: the file stayed behind) or it is not kept up. */
json_t *running_read(const char *directory, char why[RUNNING_WHY_SIZE]);

/* Record, meters, broker, letters, page and threads are all as they should be. */
bool running_well(const json_t *o);

#endif
