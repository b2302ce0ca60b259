#include "conventions.h"

bool conventions_start(struct conventions *c, const struct delivery_broker *broker,
                       const struct site *site, const char *store_path,
                       double meter_lost_seconds)
{
    *c = (struct conventions){0};
    if (broker->host[0] == '\0' || (!broker->sparkplug.enabled && !broker->homie.enabled))
        return true;
    c->bulletin = bulletin_create(site);
    if (!c->bulletin)
        return false;
    const struct convention_options o = {.broker = broker,
                                         .site = site,
                                         .bulletin = c->bulletin,
                                         .store_path = store_path,
                                         .meter_lost_seconds = meter_lost_seconds};
    if (broker->sparkplug.enabled)
        c->sparkplug = sparkplug_start(&o);
    if (broker->homie.enabled)
        c->homie = homie_start(&o);
    return (!broker->sparkplug.enabled || c->sparkplug) && (!broker->homie.enabled || c->homie);
}

void conventions_stop(struct conventions *c)
{
    sparkplug_stop(c->sparkplug);
    homie_stop(c->homie);
    bulletin_destroy(c->bulletin);
    *c = (struct conventions){0};
}

void conventions_set(struct conventions *c, size_t circuit, int64_t wall_ms,
                     const struct engine_circuit *known)
{
    if (c->bulletin)
        bulletin_set(c->bulletin, circuit, wall_ms, known);
}

void conventions_tell(struct conventions *c, bool alarms)
{
    if (c->sparkplug)
        sparkplug_tell(c->sparkplug, alarms);
    if (c->homie)
        homie_tell(c->homie, alarms);
}
