/*
 * serve - the page of a configuration.
 */
#ifndef FORETRIP_DAEMON_SERVE_H
#define FORETRIP_DAEMON_SERVE_H

#include "config/reader.h"
#include "web/web.h"

/* NULL: there is to be none, or it cannot be served, which is said; the watching goes on.
 * Borrows the configuration and the store. */
struct web *serve_page(const struct config *c, struct store *store, const char *database);

#endif
