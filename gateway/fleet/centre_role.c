#include "centre_role.h"

bool centre_may(enum delivery_role role, enum centre_act act)
{
    bool manages = role == ROLE_MANAGER || role == ROLE_ADMINISTRATOR;
    switch (act) {
    case CENTRE_NOTHING: return true;
    case CENTRE_IN:
    case CENTRE_UNIT:
    case CENTRE_WORK: return manages || role == ROLE_CONTRACTOR;
    case CENTRE_PORTFOLIO:
    case CENTRE_PLACE:
    case CENTRE_ORDERS:
    case CENTRE_CONSENT: return manages;
    case CENTRE_PEOPLE: return role == ROLE_ADMINISTRATOR;
    }
    return false;
}

json_t *centre_may_json(enum delivery_role role)
{
    json_t *may = json_array();
    for (int act = CENTRE_IN; act < CENTRE_ACTS; act++)
        if (centre_may(role, (enum centre_act)act))
            json_array_append_new(may, json_string(centre_act_name((enum centre_act)act)));
    return may;
}

const char *centre_act_name(enum centre_act act)
{
    switch (act) {
    case CENTRE_NOTHING: return "nothing";
    case CENTRE_IN: return "in";
    case CENTRE_PORTFOLIO: return "portfolio";
    case CENTRE_UNIT: return "unit";
    case CENTRE_PLACE: return "place";
    case CENTRE_ORDERS: return "orders";
    case CENTRE_WORK: return "work";
    case CENTRE_CONSENT: return "consent";
    case CENTRE_PEOPLE: return "people";
    }
    return "?";
}
