#include "rights.h"

#include <stdio.h>

#define RESIDENT_SHELVE_SECONDS 86400.0

bool rights_allow(const struct delivery *d, const struct command *c, const char **by,
                  char why[RIGHTS_WHY_SIZE])
{
    *by = c->by;
    why[0] = '\0';
    if (c->person[0] == '\0') {
        if (d->broker.named)
            snprintf(why, RIGHTS_WHY_SIZE,
                     "commands here go to command/%s/<person>, the id of one of people in "
                     "delivery.cfg",
                     command_verb_name(c->verb));
        return !d->broker.named;
    }
    int i = delivery_find_person(d, c->person);
    if (i < 0) {
        snprintf(why, RIGHTS_WHY_SIZE, "delivery.cfg has no person '%s'", c->person);
        return false;
    }
    const struct delivery_person *p = &d->people[i];
    enum delivery_role role = (enum delivery_role)p->role;
    bool ok = true;
    *by = p->name;
    switch (c->verb) {
    case COMMAND_ACKNOWLEDGE:
    case COMMAND_UNSHELVE:
    case COMMAND_STATUS: break;
    case COMMAND_SHELVE:
        ok = role != ROLE_RESIDENT || c->seconds <= RESIDENT_SHELVE_SECONDS;
        break;
    case COMMAND_OUT_OF_SERVICE:
    case COMMAND_IN_SERVICE: ok = role == ROLE_ELECTRICIAN; break;
    case COMMAND_CORRECT: ok = role == ROLE_ELECTRICIAN; break;
    case COMMAND_NAME:
    case COMMAND_HISTORY:
    case COMMAND_CIRCUITS: ok = role != ROLE_MANAGER; break; /* what tenants have on */
    }
    if (!ok)
        snprintf(why, RIGHTS_WHY_SIZE, "%s as %s may not ask for %s%s", p->name,
                 delivery_role_name(role), command_verb_name(c->verb),
                 c->verb == COMMAND_SHELVE ? " of more than a day" : "");
    return ok;
}
