/*
 * centre_role - what people of each role may see and do on the centre's page.
 *
 *     manager         all units: who needs somebody, trips, work orders; not which appliance a
 *                     tenant has on and when, unless the tenant has consented (consents.h)
 *     contractor      units of the work orders assigned to them, while the job lasts
 * (orders.h), with what is on there: who looks for a cause needs it administrator   what a
 * manager sees and does, and who the others are
 *
 * What a contractor asks for is looked at once more for its unit or order, where it is
 * answered.
 */
#ifndef FORETRIP_FLEET_CENTRE_ROLE_H
#define FORETRIP_FLEET_CENTRE_ROLE_H

#include "model/role.h"

#include <jansson.h>

enum centre_act {
    CENTRE_NOTHING,   /* open to everybody, also before a login */
    CENTRE_IN,        /* whoever is in: their own password, logging out */
    CENTRE_PORTFOLIO, /* all units, buildings, trips, and as tables */
    CENTRE_UNIT,      /* a unit, its trips, its sheet */
    CENTRE_PLACE,     /* what a unit is called, and where it lies */
    CENTRE_ORDERS,    /* work orders: make, assign, take back */
    CENTRE_WORK,      /* work orders: see, note, done */
    CENTRE_CONSENT,   /* write down what a tenant allowed, or took back */
    CENTRE_PEOPLE,    /* who may log in, and the log of who did what */
};
#define CENTRE_ACTS 9

bool centre_may(enum delivery_role role, enum centre_act act);

/* What the role may do, as a list of words. */
json_t *centre_may_json(enum delivery_role role);

/* "portfolio" */
const char *centre_act_name(enum centre_act act);

#endif
