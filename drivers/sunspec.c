#include "sunspec.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "decode.h"

#define MARK_HIGH 0x5375 /* "Su" */
#define MARK_LOW 0x6E53  /* "nS" */
#define END_ID 0xFFFF
#define COMMON_ID 1
#define MOST_MODELS 64 /* a chain without end is cut off here */
#define NOT_INT16 0x8000
#define PHASES 3
_Static_assert(PHASES *SUNSPEC_METERS == METER_MAP_SUNSPEC_CHANNELS, "channels of all");
_Static_assert(5 * SUNSPEC_METERS <= METER_MAP_MAX_POINTS, "points of all");

static const int bases[] = {40000, 0, 50000}; /* in the client library's order */
#define BASES ((int)(sizeof bases / sizeof bases[0]))

/* What the points of a group are called behind the group's name. */
static const char *const sum_ph[] = {"", "phA", "phB", "phC"};
static const char *const sum_Ph[] = {"", "PhA", "PhB", "PhC"};
static const char *const sum_lines[] = {"", "phAB", "phBC", "phCA"};
static const char *const alone[] = {""};

/* offsets count from the ID register; scale is that of the scale factor, 0 none */
struct group {
    const char *name;
    const char *const *suffixes;
    const char *unit;
    int count;
    int integer, scale; /* in 201-204 */
    int real;           /* in 211-214 */
};

static const struct group groups[] = {
    {"A", sum_ph, "A", 4, 2, 6, 2},
    {"PhV", sum_ph, "V", 4, 7, 15, 10},
    {"PPV", sum_lines, "V", 4, 11, 15, 18},
    {"Hz", alone, "Hz", 1, 16, 17, 26},
    {"W", sum_ph, "W", 4, 18, 22, 28},
    {"VA", sum_ph, "VA", 4, 23, 27, 36},
    {"VAR", sum_ph, "var", 4, 28, 32, 44},
    {"PF", sum_ph, "", 4, 33, 37, 52},
    {"TotWhExp", sum_Ph, "Wh", 4, 38, 54, 60},
    {"TotWhImp", sum_Ph, "Wh", 4, 46, 54, 68},
    {"TotVAhExp", sum_Ph, "VAh", 4, 55, 71, 76},
    {"TotVAhImp", sum_Ph, "VAh", 4, 63, 71, 84},
    {"TotVArhImpQ1", sum_Ph, "varh", 4, 72, 104, 92},
    {"TotVArhImpQ2", sum_Ph, "varh", 4, 80, 104, 100},
    {"TotVArhExpQ3", sum_Ph, "varh", 4, 88, 104, 108},
    {"TotVArhExpQ4", sum_Ph, "varh", 4, 96, 104, 116},
    {"Evt", alone, "", 1, 105, 0, 124},
};
enum {
    GROUP_A,
    GROUP_PHV,
    GROUP_PPV,
    GROUP_W = 4,
    GROUP_PF = 7,
    GROUP_FIRST_ENERGY = 8,
    GROUP_EVT = 16
};
#define GROUPS (sizeof groups / sizeof groups[0])
#define INTEGER_LENGTH 105
#define REAL_LENGTH 124
#define PF_PERCENT 0.01 /* 201-204 give the power factor in percent */

static bool is_integer(int id)
{
    return id >= 201 && id <= 204;
}

static bool is_real(int id)
{
    return id >= 211 && id <= 214;
}

static bool is_meter(const struct sunspec_model *m)
{
    return (is_integer(m->id) && m->length >= INTEGER_LENGTH) ||
           (is_real(m->id) && m->length >= REAL_LENGTH);
}

/* ---- the walk ---------------------------------------------------------------------------- */

void sunspec_begin(struct sunspec_walk *w, int max_registers)
{
    *w = (struct sunspec_walk){.stage = SUNSPEC_MARKER, .max_registers = max_registers};
}

bool sunspec_next(const struct sunspec_walk *w, struct plan_read *out)
{
    switch (w->stage) {
    case SUNSPEC_MARKER: *out = (struct plan_read){bases[w->bases_tried], 2}; return true;
    case SUNSPEC_HEADER: *out = (struct plan_read){w->address, 2}; return true;
    case SUNSPEC_COMMON:
        *out = (struct plan_read){w->address + 2, SUNSPEC_MOST_READ};
        return true;
    case SUNSPEC_END:
    case SUNSPEC_FOREIGN: break;
    }
    return false;
}

static void take_marker(struct sunspec_walk *w, const uint16_t *r)
{
    if (r && r[0] == MARK_HIGH && r[1] == MARK_LOW) {
        w->address = bases[w->bases_tried] + 2;
        w->stage = SUNSPEC_HEADER;
    } else if (++w->bases_tried == BASES) {
        w->stage = SUNSPEC_FOREIGN;
    }
}

static void pass_model(struct sunspec_walk *w, int length)
{
    w->address += 2 + length;
    w->stage =
        w->address + 2 > 65536 || ++w->models == MOST_MODELS ? SUNSPEC_END : SUNSPEC_HEADER;
}

static void take_header(struct sunspec_walk *w, const uint16_t *r)
{
    if (!r || r[0] == END_ID) { /* refused: there is nothing more */
        w->stage = SUNSPEC_END;
        return;
    }
    struct sunspec_model m = {r[0], w->address, r[1]};
    bool texts = m.id == COMMON_ID && m.length >= SUNSPEC_MOST_READ &&
                 w->max_registers >= SUNSPEC_MOST_READ && w->common.maker[0] == '\0' &&
                 m.address + 2 + SUNSPEC_MOST_READ <= 65536;
    if (is_meter(&m) && w->meter_count < SUNSPEC_METERS && m.address + 2 + m.length <= 65536)
        w->meters[w->meter_count++] = m;
    if (texts)
        w->stage = SUNSPEC_COMMON;
    else
        pass_model(w, m.length);
}

/* two characters a register, NUL at the end or none; what is no printable ASCII becomes '?' */
static void take_text(char *out, const uint16_t *r, int registers)
{
    size_t n = 0;
    for (int i = 0; i < 2 * registers; i++) {
        char c = (char)(i % 2 ? r[i / 2] & 0xFF : r[i / 2] >> 8);
        if (c == '\0')
            break;
        out[n++] = c >= ' ' && c <= '~' ? c : '?';
    }
    while (n > 0 && out[n - 1] == ' ')
        n--;
    out[n] = '\0';
}

/* The header is asked for again behind the texts: its L may be 65 or 66, and the walk keeps no
 * more than where it stands. */
static void take_common(struct sunspec_walk *w, const uint16_t *r)
{
    struct sunspec_common *c = &w->common;
    if (r) {
        take_text(c->maker, r, 16);
        take_text(c->model, r + 16, 16);
        take_text(c->options, r + 32, 8);
        take_text(c->version, r + 40, 8);
        take_text(c->serial, r + 48, 16);
    }
    if (c->maker[0] == '\0')
        strcpy(c->maker, "?");
    w->stage = SUNSPEC_HEADER;
}

void sunspec_take(struct sunspec_walk *w, const uint16_t *registers)
{
    switch (w->stage) {
    case SUNSPEC_MARKER: take_marker(w, registers); break;
    case SUNSPEC_HEADER: take_header(w, registers); break;
    case SUNSPEC_COMMON: take_common(w, registers); break;
    case SUNSPEC_END:
    case SUNSPEC_FOREIGN: break;
    }
}

/* ---- the register map -------------------------------------------------------------------- */

/* A model of one phase has to give the sums only, which are then that phase's (of the voltages
 * the phase's alone is one of a phase). */
static void add_point(struct meter_map *map, const struct sunspec_model *m, size_t group,
                      enum frame_quantity quantity, int first_channel)
{
    const struct group *g = &groups[group];
    bool integer = is_integer(m->id), single = m->id % 10 == 1 && group != GROUP_PHV;
    int width = integer ? 1 : 2;
    map->points[map->point_count++] = (struct meter_point){
        .quantity = quantity,
        .type = integer ? METER_S16 : METER_F32,
        .function = SUNSPEC_FUNCTION,
        .address = m->address + (integer ? g->integer : g->real) + (single ? 0 : width),
        .stride = width,
        .first_channel = first_channel,
        .channels = m->id % 10 == 1 ? 1 : PHASES,
        .scale = integer && group == GROUP_PF ? PF_PERCENT : 1.0,
        .scale_register = integer ? m->address + g->scale : -1,
        .has_absent = integer,
        .absent = NOT_INT16,
    };
}

bool sunspec_map(const struct sunspec_walk *w, struct meter_map *map)
{
    map->point_count = 0;
    for (size_t i = 0; i < w->meter_count; i++) {
        const struct sunspec_model *m = &w->meters[i];
        int first = PHASES * (int)i + 1;
        add_point(map, m, GROUP_A, FRAME_AMPS, first);
        add_point(map, m, GROUP_W, FRAME_WATTS, first);
        add_point(map, m, GROUP_PHV, FRAME_VOLTS, first);
        add_point(map, m, GROUP_PF, FRAME_POWER_FACTOR, first);
        if (i == 0)
            add_point(map, m, GROUP_PHV, FRAME_PANEL_VOLTS, 1);
    }
    return map->point_count > 0;
}

/* ---- every point ------------------------------------------------------------------------- */

static struct meter_point point_of(const struct group *g, size_t group, bool integer)
{
    struct meter_point p = {.type = METER_F32, .scale = 1.0, .scale_register = -1};
    if (group == GROUP_EVT) { /* bitfield32 in both kinds */
        p.type = METER_U32;
        p.has_absent = true;
        p.absent = 0xFFFFFFFF;
    } else if (integer) {
        p.type = group >= GROUP_FIRST_ENERGY ? METER_U32 : METER_S16;
        p.scale = group == GROUP_PF ? PF_PERCENT : 1.0;
        p.scale_register = g->scale;
        p.has_absent = true;
        p.absent = p.type == METER_U32 ? 0 : NOT_INT16;
    }
    return p;
}

size_t sunspec_decode(int model, const uint16_t *body, size_t length,
                      struct sunspec_value out[SUNSPEC_MOST_VALUES])
{
    struct sunspec_model m = {model, 0, (int)length};
    bool integer = is_integer(model);
    size_t n = 0;
    if (!is_meter(&m))
        return 0;
    for (size_t i = 0; i < GROUPS; i++) {
        const struct group *g = &groups[i];
        struct meter_point p = point_of(g, i, integer);
        int16_t exponent = p.scale_register > 0 ? (int16_t)body[p.scale_register - 2] : 0;
        int at = (integer ? g->integer : g->real) - 2;
        for (int k = 0; k < g->count; k++, at += meter_type_registers(p.type)) {
            double v = decode_value(&p, body + at, exponent);
            if (isnan(v))
                continue;
            /* 202-204 and 201 name the same voltages between lines differently */
            bool between = i == GROUP_PPV && k > 0 && integer && model != 201;
            snprintf(out[n].name, sizeof out[n].name, "%s%s", between ? "PhV" : g->name,
                     g->suffixes[k]);
            out[n].unit = g->unit;
            out[n++].value = v;
        }
    }
    return n;
}
