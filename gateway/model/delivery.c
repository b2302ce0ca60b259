#include "delivery.h"

#include <string.h>

int delivery_find_person(const struct delivery *d, const char *id)
{
    for (size_t i = 0; i < d->person_count; i++)
        if (strcmp(d->people[i].id, id) == 0)
            return (int)i;
    return -1;
}
