#include "frame.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

size_t frame_count(const struct site *s)
{
    return 4 * s->poles_total + 3 * s->panel_count;
}

struct frame *frame_create(const struct site *s)
{
    size_t count = frame_count(s);
    struct frame *f = calloc(1, sizeof *f + count * sizeof f->values[0]);
    if (!f)
        return NULL;
    f->poles = s->poles_total;
    f->panels = s->panel_count;
    f->count = count;
    frame_clear(f);
    return f;
}

void frame_destroy(struct frame *f)
{
    free(f);
}

void frame_clear(struct frame *f)
{
    for (size_t i = 0; i < f->count; i++)
        f->values[i] = (float)NAN;
}

float frame_checked(enum frame_quantity q, double v)
{
    static const double most[FRAME_QUANTITIES] = {
        [FRAME_AMPS] = (double)FRAME_MAX_AMPS,         [FRAME_WATTS] = (double)FRAME_MAX_WATTS,
        [FRAME_VOLTS] = (double)FRAME_MAX_VOLTS,       [FRAME_POWER_FACTOR] = 1.0,
        [FRAME_PANEL_VOLTS] = (double)FRAME_MAX_VOLTS,
    };
    double least = q == FRAME_WATTS || q == FRAME_POWER_FACTOR ? -most[q] : 0.0;
    if (q == FRAME_AMPS && v < 0.0 && v >= -0.1)
        v = 0.0;
    if (!(v >= least && v <= most[q])) /* also refuses NaN */
        return (float)NAN;
    return (float)v;
}

static const char *const suffixes[] = {"amps", "watts", "volts", "pf"};

void frame_column_name(const struct site *s, size_t index, char *out, size_t capacity)
{
    size_t poles = s->poles_total;
    if (index >= 4 * poles) {
        size_t rest = index - 4 * poles;
        snprintf(out, capacity, "%s.volts_%c", s->panels[rest / 3].id, "abc"[rest % 3]);
        return;
    }
    size_t quantity = index / poles, pole = index % poles;
    for (size_t c = 0; c < s->circuit_count; c++) {
        const struct site_circuit *circuit = &s->circuits[c];
        size_t first = (size_t)circuit->first_pole;
        if (pole < first || pole >= first + (size_t)circuit->poles)
            continue;
        if (pole == first)
            snprintf(out, capacity, "%s.%s", circuit->id, suffixes[quantity]);
        else
            snprintf(out, capacity, "%s.%s_%zu", circuit->id, suffixes[quantity],
                     pole - first + 1);
        return;
    }
    out[0] = '\0';
}

static int fail(const char **why, const char *reason)
{
    if (why)
        *why = reason;
    return -1;
}

int frame_find_column(const struct site *s, const char *name, size_t length, const char **why)
{
    char id[SITE_ID_SIZE], suffix[16];
    const char *dot = memchr(name, '.', length);
    if (!dot)
        return fail(why, "no point between the circuit or panel and the quantity");
    size_t id_length = (size_t)(dot - name), suffix_length = length - id_length - 1;
    if (id_length == 0 || id_length >= sizeof id)
        return fail(why, "no circuit or panel of that id in site.cfg");
    if (suffix_length == 0 || suffix_length >= sizeof suffix)
        return fail(why,
                    "the quantity is one of amps, watts, volts, pf, volts_a, volts_b, volts_c");
    memcpy(id, name, id_length);
    id[id_length] = '\0';
    memcpy(suffix, dot + 1, suffix_length);
    suffix[suffix_length] = '\0';

    if (strncmp(suffix, "volts_", 6) == 0 && suffix[6] >= 'a' && suffix[6] <= 'c' &&
        !suffix[7]) {
        int panel = site_find_panel(s, id);
        if (panel < 0)
            return fail(why, "no panel of that id in site.cfg");
        return (int)(4 * s->poles_total) + 3 * panel + (suffix[6] - 'a');
    }
    int circuit = site_find_circuit(s, id);
    if (circuit < 0)
        return fail(why, "no circuit of that id in site.cfg");
    int pole = 0;
    char *underscore = strchr(suffix, '_');
    if (underscore) {
        if (underscore[1] < '2' || underscore[1] > '0' + s->circuits[circuit].poles ||
            underscore[2])
            return fail(why, "the circuit has no such pole");
        pole = underscore[1] - '1';
        *underscore = '\0';
    }
    for (int q = 0; q < 4; q++)
        if (strcmp(suffix, suffixes[q]) == 0)
            return q * (int)s->poles_total + s->circuits[circuit].first_pole + pole;
    return fail(why,
                "the quantity is one of amps, watts, volts, pf, volts_a, volts_b, volts_c");
}
