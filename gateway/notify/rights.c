#include "rights.h"

#include <stdio.h>

#define RESIDENT_SHELVE_SECONDS 86400.0

static enum act act_of(const struct command *c)
{
    switch (c->verb) {
    case COMMAND_SEND_AGAIN:
    case COMMAND_SHEET: /* with less in it for who may not see loads */
    case COMMAND_STATUS: return ACT_SEE;
    case COMMAND_HISTORY:
    case COMMAND_CIRCUITS: return ACT_SEE_LOADS;
    case COMMAND_ACKNOWLEDGE:
    case COMMAND_UNSHELVE: return ACT_ACKNOWLEDGE;
    case COMMAND_SHELVE:
        return c->seconds > RESIDENT_SHELVE_SECONDS ? ACT_SHELVE_LONG : ACT_SHELVE;
    case COMMAND_OUT_OF_SERVICE:
    case COMMAND_IN_SERVICE: return ACT_OUT_OF_SERVICE;
    case COMMAND_REPLACED:
    case COMMAND_CORRECT: return ACT_CORRECT;
    case COMMAND_NAME: return ACT_NAME;
    case COMMAND_NOTE: return ACT_NOTE;
    case COMMAND_CALL_BEGIN:
    case COMMAND_CALL_ANSWER:
        if (c->call.answer == CALL_SAID_DANGER || c->call.answer == CALL_SAID_NOTE)
            return ACT_NOTE;
        if (c->call.as == CALL_AS_ELECTRICIAN)
            return ACT_ELECTRICIAN;
        return ACT_CALL;
    }
    return ACT_PEOPLE;
}

bool rights_allow_role(enum delivery_role role, const char *name, const struct command *c,
                       char why[RIGHTS_WHY_SIZE])
{
    enum act act = act_of(c);
    why[0] = '\0';
    if (role_may(role, act))
        return true;
    snprintf(why, RIGHTS_WHY_SIZE, "%s as %s may not ask for %s%s", name,
             delivery_role_name(role), command_verb_name(c->verb),
             act == ACT_SHELVE_LONG   ? " of more than a day"
             : act == ACT_ELECTRICIAN ? " as a licensed electrician"
                                      : "");
    return false;
}

bool rights_allow(const struct delivery *d, const struct command *c, const char **by,
                  char why[RIGHTS_WHY_SIZE])
{
    *by = c->by;
    why[0] = '\0';
    if (c->person[0] == '\0') {
        if (c->verb ==
            COMMAND_SEND_AGAIN) /* a centre is nobody, and what it asks for is its own */
            return true;
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
    *by = p->name;
    return rights_allow_role((enum delivery_role)p->role, p->name, c, why);
}
