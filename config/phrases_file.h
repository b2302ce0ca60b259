/*
 * phrases_file - phrases.cfg: the sentences of messages, the shipped ones and the site's own.
 */
#ifndef FORETRIP_CONFIG_PHRASES_FILE_H
#define FORETRIP_CONFIG_PHRASES_FILE_H

#include "config/source.h"

/* The shipped languages, and over them those of the source's phrases.cfg. Faults are added. */
void phrases_file_read(struct phrases *p, const struct config_source *source,
                       struct config_faults *faults);

#endif
