/*
 * let_in - the centre's commands about which gateways are let in:
 *
 *     authority NAME..     the authority where there is none, and the servers' certificate
 *     enrol UNIT           a code for a unit
 *     admit                serves gateways that redeem one (admit.h)
 *     certificates [UNIT]  who has which, and codes that wait
 *     revoke UNIT|SERIAL   no more
 */
#ifndef FORETRIP_FLEET_LET_IN_H
#define FORETRIP_FLEET_LET_IN_H

#include "model/fleet.h"

#include <signal.h>

struct let_in_options {
    const char *name, *building, *unit; /* of the unit; NULL: not said */
    const char *reason, *by;            /* NULL: not said */
    double hours;                       /* 0: as fleet.cfg says */
};

bool let_in_is_verb(const char *verb);

/* directory: fleet.cfg's, the authority lies in `authority` there. Returns what a program ends
 * with: 0, 1 failed, 2 wrong arguments. */
int let_in_run(const char *verb, const char *const *words, int count,
               const struct let_in_options *o, const struct fleet_settings *settings,
               const char *directory, const volatile sig_atomic_t *stop);

#endif
