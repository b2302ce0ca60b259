#include "delivery.h"

#include <string.h>

int delivery_find_person(const struct delivery *d, const char *id)
{
    for (size_t i = 0; i < d->person_count; i++)
        if (strcmp(d->people[i].id, id) == 0)
            return (int)i;
    return -1;
}

const char *delivery_role_name(enum delivery_role r)
{
    switch (r) {
    case ROLE_RESIDENT: return "resident";
    case ROLE_ELECTRICIAN: return "electrician";
    case ROLE_MANAGER: return "manager";
    }
    return "?";
}
