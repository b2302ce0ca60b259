/*
 * configure - the configuration as the daemon reads it: what is wrong with it goes to the log.
 */
#ifndef FORETRIP_CONFIGURE_H
#define FORETRIP_CONFIGURE_H

#include "config/reader.h"

/* NULL when it is not usable, or memory is short. The caller's: config_free, then free. before
 * is the one in force, NULL at the start. */
struct config *configure_read(const char *directory, const struct config *before);

#endif
