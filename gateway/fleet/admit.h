/*
 * admit - `foretrip-fleet admit`: lets gateways in, over HTTPS (admission.h).
 *
 * Serves with the authority's server.pem, which is read at the start; crl.pem is written anew
 * every day, so that a broker's never ends.
 */
#ifndef FORETRIP_FLEET_ADMIT_H
#define FORETRIP_FLEET_ADMIT_H

#include "model/fleet.h"

#include <signal.h>

/* Until *stop. directory: the authority's. Returns what a program ends with. */
int admit_run(const struct fleet_settings *settings, const char *directory,
              const volatile sig_atomic_t *stop);

#endif
