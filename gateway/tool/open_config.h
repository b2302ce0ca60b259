/*
 * open_config - a verb's configuration, with its faults printed when it has any.
 */
#ifndef FORETRIP_TOOL_OPEN_CONFIG_H
#define FORETRIP_TOOL_OPEN_CONFIG_H

#include "config/reader.h"

/* False when the directory is not usable; every fault then stands on standard error. */
bool open_config(struct config *out, const char *directory);

#endif
