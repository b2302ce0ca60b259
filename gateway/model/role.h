/*
 * role - what people of each role may see and do, by the page and over MQTT alike.
 *
 *     resident        lives there: sees all of their home, sees to its alarms, names loads
 *     electrician     sees all of it, and judges: causes, out of service
 *     manager         of many homes: who needs somebody today; not which appliance a tenant has
 *                     on and when
 *     administrator   everything, and who the others are
 *     contractor      of a centre alone (fleet/centre_role.h): nothing at a gateway
 */
#ifndef FORETRIP_ROLE_H
#define FORETRIP_ROLE_H

#include <stdbool.h>

enum delivery_role {
    ROLE_RESIDENT,
    ROLE_ELECTRICIAN,
    ROLE_MANAGER,
    ROLE_ADMINISTRATOR,
    ROLE_CONTRACTOR
};
#define ROLES 5

enum act {
    ACT_NOTHING,        /* open to everybody, also before a login */
    ACT_SEE,            /* how circuits stand, alarms, trips */
    ACT_SEE_LOADS,      /* what is on, and readings fine enough to tell it from */
    ACT_ACKNOWLEDGE,    /* and take from the shelf */
    ACT_SHELVE,         /* for a day at the most */
    ACT_SHELVE_LONG,    /* for more */
    ACT_OUT_OF_SERVICE, /* and back */
    ACT_NAME,           /* a load, a place; trace it */
    ACT_DIRECTORY,      /* change what a panel's card says */
    ACT_CORRECT,        /* what a trip was; that a breaker is another one */
    ACT_NOTE,           /* beside a trip; in a service call, and to say stop there */
    ACT_CALL,           /* begin a service call, answer what it asks */
    ACT_ELECTRICIAN,    /* as a licensed electrician */
    ACT_PEOPLE,         /* who may log in, and the log of who did what */
};
#define ACTS 14

bool role_may(enum delivery_role role, enum act act);

const char *delivery_role_name(enum delivery_role r);
/* "see_loads" */
const char *act_name(enum act act);

#endif
