#include "scan.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "link.h"

#define PATIENCE_US 5000000
#define ALIKE 4 /* so many units in a row that say the same are one meter */

/* What meters are delivered with, the standard's own default first (SER V1.02, 3.3: 19200,
 * even; the rest common practice). */
static const struct {
    int baud;
    char parity;
    int stop_bits;
} settings[] = {
    {19200, 'E', 1},  {9600, 'N', 1},  {9600, 'E', 1},   {19200, 'N', 1}, {38400, 'N', 1},
    {115200, 'N', 1}, {57600, 'N', 1}, {4800, 'N', 1},   {2400, 'N', 1},  {38400, 'E', 1},
    {57600, 'E', 1},  {9600, 'O', 1},  {115200, 'E', 1}, {19200, 'O', 1},
};
#define SETTINGS (sizeof settings / sizeof settings[0])

static void say(const struct scan_options *o, const char *sentence)
{
    if (o->say)
        o->say(o->context, sentence);
}

static bool is_there(const struct link_result *r)
{
    if (r->fault == FAULT_EXCEPTION)
        return r->exception != 10 && r->exception != 11;
    return r->fault == FAULT_NONE || r->fault == FAULT_LENGTH || r->fault == FAULT_FUNCTION;
}

static bool ensure_open(struct link *l, char *why, size_t capacity)
{
    return link_is_open(l) || link_open(l, clock_mono_us() + PATIENCE_US, why, capacity);
}

struct answers { /* of the units found, for the one that answers to all */
    uint16_t value[SCAN_MOST_UNITS];
    bool refused[SCAN_MOST_UNITS];
};

static bool all_alike(const struct scan_result *r, const struct answers *a)
{
    for (int i = 1; i < ALIKE; i++)
        if (r->units[i] != r->units[0] + i || a->value[i] != a->value[0] ||
            a->refused[i] != a->refused[0])
            return false;
    return true;
}

static bool ask_units(const struct scan_options *o, struct scan_result *r, char *why,
                      size_t capacity)
{
    struct answers a;
    struct link *l = link_create(&r->bus, -1);
    bool ok = l && ensure_open(l, why, capacity);
    for (int unit = o->first_unit; ok && unit <= o->last_unit; unit++) {
        struct link_read q = {unit, 3, 0, 1};
        uint16_t value = 0;
        char said[96];
        if (!ensure_open(l, why, capacity)) /* it closed at a unit that it does not know */
            break;
        struct link_result x = link_read(l, &q, clock_mono_us() + PATIENCE_US, &value);
        r->spoilt += x.fault == FAULT_CRC || x.fault == FAULT_SHORT;
        if (!is_there(&x) || r->unit_count == SCAN_MOST_UNITS)
            continue;
        a.value[r->unit_count] = value;
        a.refused[r->unit_count] = x.fault != FAULT_NONE;
        r->units[r->unit_count++] = unit;
        if (!r->bus.device[0] && r->unit_count == ALIKE && all_alike(r, &a)) {
            r->any_unit = true;
            r->unit_count = 1;
            say(o, "it answers to every unit alike: one meter");
            break;
        }
        snprintf(said, sizeof said, "unit %d answers", unit);
        say(o, said);
    }
    link_destroy(l);
    return ok;
}

static bool same_setting(const struct site_bus *b, size_t i)
{
    return b->baud == settings[i].baud && b->parity == settings[i].parity;
}

bool scan_bus(const struct scan_options *o, struct scan_result *out, char *why, size_t capacity)
{
    *out = (struct scan_result){.bus = o->bus};
    out->bus.timeout_ms = SCAN_TIMEOUT_MS;
    bool ok = ask_units(o, out, why, capacity);
    for (size_t i = 0;
         ok && i < SETTINGS && out->unit_count == 0 && o->other_settings && o->bus.device[0];
         i++) {
        char said[96];
        if (same_setting(&o->bus, i))
            continue;
        out->bus.baud = settings[i].baud;
        out->bus.parity = settings[i].parity;
        out->bus.stop_bits = settings[i].stop_bits;
        snprintf(said, sizeof said, "nothing; trying %d baud, parity %c", out->bus.baud,
                 out->bus.parity);
        say(o, said);
        ok = ask_units(o, out, why, capacity);
    }
    if (out->unit_count == 0) {
        out->bus.baud = o->bus.baud;
        out->bus.parity = o->bus.parity;
        out->bus.stop_bits = o->bus.stop_bits;
    }
    out->bus.timeout_ms = o->bus.timeout_ms;
    return ok;
}
