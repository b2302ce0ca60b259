#include "load_study.h"

#include <math.h>
#include <string.h>

int load_study_find_edition(const struct load_study *s, const char *id)
{
    for (size_t i = 0; i < s->edition_count; i++)
        if (strcmp(s->editions[i].id, id) == 0)
            return (int)i;
    return -1;
}

double load_study_ampacity(const struct load_study *s, const struct site *site, int circuit,
                           int panel)
{
    int feeder = panel >= 0 ? site->panels[panel].fed_by : -1;
    for (size_t i = 0; i < s->conductor_count; i++) {
        const struct conductor *c = &s->conductors[i];
        if (panel >= 0 ? c->panel == panel || (feeder >= 0 && c->circuit == feeder)
                       : c->circuit == circuit)
            return c->ampacity_amps;
    }
    return (double)NAN;
}

const struct dwelling *load_study_dwelling(const struct load_study *s, int panel)
{
    for (size_t i = 0; i < s->dwelling_count; i++)
        if (s->dwellings[i].panel == panel)
            return &s->dwellings[i];
    return NULL;
}

const char *dwelling_load_kind_name(enum dwelling_load_kind k)
{
    switch (k) {
    case DWELLING_APPLIANCE: return "appliance";
    case DWELLING_VEHICLE: return "vehicle";
    case DWELLING_AIR_CONDITIONING: return "air_conditioning";
    case DWELLING_HEAT_PUMP: return "heat_pump";
    case DWELLING_HEAT_SUPPLEMENT: return "heat_supplement";
    case DWELLING_CENTRAL_HEAT: return "central_heat";
    case DWELLING_ROOM_HEAT: return "room_heat";
    case DWELLING_STORAGE_HEAT: return "storage_heat";
    }
    return "?";
}
