#include "site.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void site_init(struct site *s)
{
    *s = (struct site){.timezone = "UTC", .nominal_volts = 120.0};
}

void site_free(struct site *s)
{
    free(s->panels);
    free(s->buses);
    free(s->meters);
    free(s->circuits);
    *s = (struct site){0};
}

/* grows *array by one zeroed element; NULL when memory or the bound is short */
static void *add(void **array, size_t *count, size_t most, size_t size)
{
    if (*count >= most)
        return NULL;
    void *grown = realloc(*array, (*count + 1) * size);
    if (!grown)
        return NULL;
    *array = grown;
    void *element = (char *)grown + *count * size;
    memset(element, 0, size);
    (*count)++;
    return element;
}

struct site_panel *site_add_panel(struct site *s)
{
    void *array = s->panels;
    struct site_panel *p = add(&array, &s->panel_count, SITE_MAX_PANELS, sizeof *p);
    s->panels = array;
    if (p) {
        p->legs = 1;
        p->fed_by = -1;
        p->ambient_celsius = (double)NAN;
    }
    return p;
}

struct site_bus *site_add_bus(struct site *s)
{
    void *array = s->buses;
    struct site_bus *b = add(&array, &s->bus_count, SITE_MAX_BUSES, sizeof *b);
    s->buses = array;
    if (b) {
        b->port = 502;
        b->baud =
            19200; /* Modbus over Serial Line V1.02, section 2: default speed and parity */
        b->parity = 'E';
        b->stop_bits = 1;
        b->poll_ms = 1000;
        b->timeout_ms = 400;
    }
    return b;
}

struct site_meter *site_add_meter(struct site *s)
{
    void *array = s->meters;
    struct site_meter *m = add(&array, &s->meter_count, SITE_MAX_METERS, sizeof *m);
    s->meters = array;
    if (m) {
        m->bus = -1;
        m->unit = 1;
        m->panel = -1;
    }
    return m;
}

struct site_circuit *site_add_circuit(struct site *s)
{
    void *array = s->circuits;
    struct site_circuit *c = add(&array, &s->circuit_count, SITE_MAX_CIRCUITS, sizeof *c);
    s->circuits = array;
    if (c) {
        c->panel = -1;
        c->poles = 1;
        c->leg[0] = 'A';
        c->meter = -1;
        c->ct_ratio = 1.0;
        c->feeds_panel = -1;
    }
    return c;
}

#define FIND(name, array, count)                                                               \
    int name(const struct site *s, const char *id)                                             \
    {                                                                                          \
        for (size_t i = 0; i < s->count; i++)                                                  \
            if (strcmp(s->array[i].id, id) == 0)                                               \
                return (int)i;                                                                 \
        return -1;                                                                             \
    }

FIND(site_find_panel, panels, panel_count)
FIND(site_find_bus, buses, bus_count)
FIND(site_find_meter, meters, meter_count)
FIND(site_find_circuit, circuits, circuit_count)

void site_finish(struct site *s)
{
    s->poles_total = 0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct site_circuit *c = &s->circuits[i];
        assert(c->panel >= 0 && c->poles >= 1 && c->poles <= SITE_MAX_POLES);
        c->feeds_panel = -1;
        c->first_pole = (int)s->poles_total;
        s->poles_total += (size_t)c->poles;
    }
    for (size_t i = 0; i < s->panel_count; i++) {
        struct site_panel *p = &s->panels[i];
        p->fed_by = p->fed_by_id[0] ? site_find_circuit(s, p->fed_by_id) : -1;
        assert(!p->fed_by_id[0] || p->fed_by >= 0);
        if (p->fed_by >= 0)
            s->circuits[p->fed_by].feeds_panel = (int)i;
    }
}

bool site_id_valid(const char *id)
{
    static const char allowed[] =
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-";
    size_t n = strlen(id);
    return n >= 1 && n < SITE_ID_SIZE && strspn(id, allowed) == n;
}

char *site_describe_circuit(const struct site *s, int circuit, char *out, size_t capacity)
{
    const struct site_circuit *c = &s->circuits[circuit];
    snprintf(out, capacity, "breaker %s (%s) in %s", c->position, c->name,
             s->panels[c->panel].name);
    return out;
}
