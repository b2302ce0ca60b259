/*
 * serve - `foretrip-fleet serve`: the centre's page, until a signal ends it.
 */
#ifndef FORETRIP_FLEET_SERVE_H
#define FORETRIP_FLEET_SERVE_H

#include "model/fleet.h"

#include <signal.h>

/* What the program ends with: 0, or 1 when the page cannot be served (said in the log). A store
 * that is not there yet is waited for. */
int fleet_serve(const struct fleet_settings *settings, const volatile sig_atomic_t *stop);

#endif
