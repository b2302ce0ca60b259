#include "role.h"

bool role_may(enum delivery_role role, enum act act)
{
    bool home = role == ROLE_RESIDENT || role == ROLE_ELECTRICIAN;
    if (role == ROLE_ADMINISTRATOR)
        return true;
    if (role == ROLE_CONTRACTOR)
        return act == ACT_NOTHING;
    switch (act) {
    case ACT_NOTHING:
    case ACT_SEE:
    case ACT_ACKNOWLEDGE:
    case ACT_SHELVE:
    case ACT_NOTE: return true;
    case ACT_SEE_LOADS:
    case ACT_CALL:
    case ACT_NAME: return home;
    case ACT_SHELVE_LONG: return role != ROLE_RESIDENT;
    case ACT_DIRECTORY:
    case ACT_OUT_OF_SERVICE:
    case ACT_ELECTRICIAN:
    case ACT_CORRECT: return role == ROLE_ELECTRICIAN;
    case ACT_PEOPLE: return false;
    }
    return false;
}

const char *delivery_role_name(enum delivery_role r)
{
    switch (r) {
    case ROLE_RESIDENT: return "resident";
    case ROLE_ELECTRICIAN: return "electrician";
    case ROLE_MANAGER: return "manager";
    case ROLE_ADMINISTRATOR: return "administrator";
    case ROLE_CONTRACTOR: return "contractor";
    }
    return "?";
}

const char *act_name(enum act act)
{
    switch (act) {
    case ACT_NOTHING: return "nothing";
    case ACT_SEE: return "see";
    case ACT_SEE_LOADS: return "see_loads";
    case ACT_ACKNOWLEDGE: return "acknowledge";
    case ACT_SHELVE: return "shelve";
    case ACT_SHELVE_LONG: return "shelve_long";
    case ACT_OUT_OF_SERVICE: return "out_of_service";
    case ACT_NAME: return "name";
    case ACT_DIRECTORY: return "directory";
    case ACT_CORRECT: return "correct";
    case ACT_NOTE: return "note";
    case ACT_CALL: return "call";
    case ACT_ELECTRICIAN: return "electrician";
    case ACT_PEOPLE: return "people";
    }
    return "?";
}
