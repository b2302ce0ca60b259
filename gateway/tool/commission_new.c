/* A bus that no site.cfg knows: finds its meters, tells their maps, asks for the breakers, and
 * writes a first site.cfg. */
#include "commission_new.h"

#include "base/clock.h"
#include "base/text.h"
#include "config/shipped.h"
#include "drivers/plausible.h"
#include "drivers/sunspec.h"
#include "open_config.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PATIENCE_US 5000000
#define LEAST_VOLTS 80.0     /* of a leg that is there */
#define EUROPEAN_VOLTS 180.0 /* above it, 230 V and breakers to IEC 60898-1 are likelier */
#define SAME_WORTH 0.9       /* of the best: as likely */

static void tell(void *context, const char *sentence)
{
    (void)context;
    printf("  %s\n", sentence);
    fflush(stdout);
}

/* ---- which maps there are ---------------------------------------------------------------- */

static void offer(struct survey *v, const char *file, size_t length)
{
    if (length < 5 || length - 4 >= SITE_ID_SIZE || v->id_count == MOST_MAPS ||
        strncmp(file + length - 4, ".cfg", 4) != 0)
        return;
    char id[SITE_ID_SIZE];
    snprintf(id, sizeof id, "%.*s", (int)(length - 4), file);
    for (size_t i = 0; i < v->id_count; i++)
        if (strcmp(v->ids[i], id) == 0)
            return;
    memcpy(v->ids[v->id_count++], id, sizeof id);
}

/* those of DIR/maps before the shipped ones */
static void list_maps(struct survey *v)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/maps", v->options->directory);
    DIR *d = opendir(path);
    for (struct dirent *e; d && (e = readdir(d));)
        offer(v, e->d_name, strlen(e->d_name));
    if (d)
        closedir(d);
    for (const struct shipped_file *f = shipped_files; f->name; f++)
        if (strncmp(f->name, "maps/", 5) == 0)
            offer(v, f->name + 5, strlen(f->name + 5));
}

static bool load_map(struct survey *v, const char *id, struct meter_map *out)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool ok = config_load_map(out, v->options->directory, id, &faults);
    if (!ok)
        printf("  the map %s has faults and is left out (foretrip check names them)\n", id);
    faults_free(&faults);
    return ok;
}

/* ---- which one a meter has --------------------------------------------------------------- */

/* What a SunSpec meter says of itself as a map of points; false when it is none. */
static bool ask_sunspec(struct survey *v, int unit, struct meter_map *map)
{
    struct sunspec_walk w;
    struct plan_read next;
    uint16_t registers[SUNSPEC_MOST_READ];
    sunspec_begin(&w, PLAN_MAX_REGISTERS);
    while (sunspec_next(&w, &next)) {
        char why[96];
        struct link_read q = {unit, SUNSPEC_FUNCTION, next.address, next.count};
        if (!link_is_open(v->link) &&
            !link_open(v->link, clock_mono_us() + PATIENCE_US, why, sizeof why))
            return false;
        struct link_result r = link_read(v->link, &q, clock_mono_us() + PATIENCE_US, registers);
        if (r.fault != FAULT_NONE && r.fault != FAULT_EXCEPTION)
            return false;
        sunspec_take(&w, r.fault == FAULT_NONE ? registers : NULL);
    }
    *map = (struct meter_map){.id = "sunspec", .max_registers = PLAN_MAX_REGISTERS};
    if (!sunspec_map(&w, map))
        return false;
    printf("  unit %d: SunSpec, %s %s, serial number %s\n", unit, w.common.maker,
           w.common.model, w.common.serial);
    return true;
}

static void take_map(struct found_meter *m, const struct meter_map *map)
{
    snprintf(m->map, sizeof m->map, "%s", map->id);
    m->channels = 0;
    for (size_t i = 0; i < map->point_count; i++) {
        const struct meter_point *p = &map->points[i];
        int last = p->first_channel + p->channels - 1;
        if (p->quantity == FRAME_AMPS && last > m->channels)
            m->channels = last;
    }
}

static void tell_map(struct survey *v, struct found_meter *m, struct meter_map *best)
{
    static struct meter_map map;
    int worth[MOST_MAPS] = {0}, most = 0;
    struct plausible best_score = {0};
    m->map[0] = m->others[0] = '\0';
    if (ask_sunspec(v, m->unit, best)) {
        take_map(m, best);
        return;
    }
    for (size_t i = 0; i < v->id_count; i++) {
        if (!load_map(v, v->ids[i], &map) || map.sunspec)
            continue;
        struct plausible p = plausible_read(v->link, m->unit, &map);
        worth[i] = plausible_worth(&p);
        if (worth[i] <= most)
            continue;
        most = worth[i];
        best_score = p;
        *best = map;
    }
    if (most == 0) {
        printf("  unit %d: no map fits; write one (docs/meters.md) and begin again\n", m->unit);
        return;
    }
    take_map(m, best);
    for (size_t i = 0; i < v->id_count; i++)
        if (worth[i] >= SAME_WORTH * most && strcmp(v->ids[i], m->map) != 0 &&
            strlen(m->others) + strlen(v->ids[i]) + 3 < sizeof m->others)
            sprintf(m->others + strlen(m->others), "%s%s", m->others[0] ? ", " : "", v->ids[i]);
    printf("  unit %d: map %s (%d for it, %d against; %d channels carry a current)%s%s\n",
           m->unit, m->map, best_score.good, best_score.bad, best_score.amps,
           m->others[0] ? "; as likely: " : "", m->others);
}

static void take_reading(struct found_meter *m, const struct bus_reading *r, size_t poles)
{
    double v = (double)r->value;
    if (r->index < poles)
        m->amps[r->index + 1] = v;
    if (r->index < FRAME_PANEL_VOLTS * poles || v < LEAST_VOLTS)
        return;
    int leg = (int)(r->index - FRAME_PANEL_VOLTS * poles);
    m->legs = leg + 1 > m->legs ? leg + 1 : m->legs;
    if (leg == 0)
        m->volts = v;
}

/* what each channel carries now, so that the questions can say it */
static void read_amps(struct survey *v, struct found_meter *m, const struct meter_map *map)
{
    struct site s;
    struct meter_plan plan = {0};
    for (int i = 0; i <= METER_MAP_MAX_CHANNELS; i++)
        m->amps[i] = (double)NAN;
    m->legs = 0;
    m->volts = (double)NAN;
    if (!plausible_site(&s, &v->scan.bus, m->unit, map))
        return;
    struct plan_line line = plan_line_without_holes(*link_line(v->link));
    if (meter_plan_make(&s, 0, map, &line, &plan) == METER_PLAN_OK) {
        uint16_t *registers = calloc(plan.registers + 1, sizeof *registers);
        bool *got = calloc(plan.read_count + 1, sizeof *got);
        struct bus_reading *readings = calloc(plan.value_count + 1, sizeof *readings);
        for (size_t i = 0; registers && got && i < plan.read_count; i++) {
            struct link_read q = {m->unit, plan.reads[i].function, plan.reads[i].address,
                                  plan.reads[i].count};
            got[i] =
                link_is_open(v->link) && link_read(v->link, &q, clock_mono_us() + PATIENCE_US,
                                                   registers + plan.reads[i].at)
                                                 .fault == FAULT_NONE;
        }
        size_t n = registers && got && readings
                       ? meter_plan_decode(&plan, registers, got, NULL, readings)
                       : 0;
        for (size_t i = 0; i < n; i++)
            take_reading(m, &readings[i], s.poles_total);
        free(registers);
        free(got);
        free(readings);
    }
    meter_plan_free(&plan);
    site_free(&s);
}

/* ---- the questions ----------------------------------------------------------------------- */

static void write_bus(struct text *t, const struct survey *v)
{
    const struct site_bus *b = &v->scan.bus;
    const char *parity = b->parity == 'E' ? "even" : b->parity == 'O' ? "odd" : "none";
    text_printf(t, "\n# found by asking units %d to %d\nbuses = (\n", v->options->first_unit,
                v->options->last_unit);
    if (b->device[0])
        text_printf(
            t,
            "  { id = \"line\"; device = \"%s\"; baud = %d; parity = \"%s\"; stop_bits = "
            "%d; }\n);\n",
            b->device, b->baud, parity, b->stop_bits);
    else
        text_printf(t, "  { id = \"lan\"; host = \"%s\"; port = %d; }\n);\n", b->host, b->port);
}

static void write_meters(struct text *t, const struct survey *v)
{
    const char *comma = "";
    text_printf(t, "\nmeters = (");
    for (size_t i = 0; i < v->meter_count; i++) {
        const struct found_meter *m = &v->meters[i];
        if (!m->map[0])
            continue;
        text_printf(t, "%s\n", comma);
        text_printf(t, "  # the map by how well its values fit%s%s\n",
                    m->others[0] ? "; as likely: " : "", m->others);
        text_printf(
            t, "  { id = \"m%d\"; bus = \"%s\"; unit = %d; map = \"%s\"; panel = \"main\"; }",
            m->unit, v->scan.bus.device[0] ? "line" : "lan", m->unit, m->map);
        comma = ",";
    }
    text_printf(t, "\n);\n");
}

static void ask(const struct survey *v, const char *question, const char *fallback, char *out,
                size_t capacity)
{
    if (v->options->yes)
        snprintf(out, capacity, "%s", fallback);
    else
        commission_ask(question, fallback, out, capacity);
    for (; *out; out++) /* it goes between double quotes */
        if (*out == '"' || *out == '\\')
            *out = '\'';
}

static void compose(struct text *t, const struct survey *v)
{
    char id[SITE_ID_SIZE], name[SITE_NAME_SIZE], zone[64], standard[16], volts[16], rating[16],
        legs[16], fallback[16];
    snprintf(fallback, sizeof fallback, "%d", v->meters[0].legs > 0 ? v->meters[0].legs : 2);
    bool european = v->meters[0].volts > EUROPEAN_VOLTS;
    ask(v, "a short id of the site:", "home", id, sizeof id);
    ask(v, "its name or address:", "Home", name, sizeof name);
    ask(v, "its time zone:", "UTC", zone, sizeof zone);
    ask(v, "breakers are to UL489 or IEC60898:", european ? "IEC60898" : "UL489", standard,
        sizeof standard);
    ask(v,
        "volts between a leg and the neutral:", strcmp(standard, "UL489") == 0 ? "120" : "230",
        volts, sizeof volts);
    ask(v, "legs of the panel, 1 to 3:", fallback, legs, sizeof legs);
    ask(v, "rating of its main in amps:", "100", rating, sizeof rating);
    int panel_legs = legs[0] >= '1' && legs[0] <= '3' ? legs[0] - '0' : 2;
    text_printf(t,
                "# written by foretrip commission; foretrip check says what is wrong with it\n"
                "site = { id = \"%s\"; name = \"%s\"; timezone = \"%s\"; standard = \"%s\"; "
                "nominal_volts = %.6g; };\n"
                "panels = ( { id = \"main\"; name = \"Main panel\"; legs = %d; rating_amps = "
                "%.6g; } );\n",
                id, name, zone, standard, strtod(volts, NULL), panel_legs,
                strtod(rating, NULL));
    write_bus(t, v);
    write_meters(t, v);
    commission_write_circuits(t, v, panel_legs);
}

static enum exit_code write_site(const struct survey *v, const struct text *t)
{
    char path[4096];
    struct config c;
    printf("\n%s\n", text_get(t));
    snprintf(path, sizeof path, "%s/site.cfg", v->options->directory);
    if (!v->options->yes && !commission_agree("write this to site.cfg?")) {
        puts("nothing was written");
        return EXIT_BAD;
    }
    FILE *f = fopen(path, "wx"); /* never over one that came meanwhile */
    bool ok = f && fwrite(text_get(t), 1, t->length, f) == t->length;
    if ((f && fclose(f) != 0) || !ok) {
        fprintf(stderr, "foretrip commission: %s cannot be written\n", path);
        return EXIT_BAD;
    }
    printf("%s is written\n", path);
    if (!open_config(&c, v->options->directory))
        return EXIT_BAD;
    config_free(&c);
    printf("next: foretrip commission %s --walk --config %s\n",
           v->scan.bus.device[0] ? "line" : "lan", v->options->directory);
    return EXIT_GOOD;
}

/* ---- all of it --------------------------------------------------------------------------- */

static void bus_of(const char *text, struct site_bus *b)
{
    *b = (struct site_bus){
        .port = 502, .baud = 19200, .parity = 'E', .stop_bits = 1, .timeout_ms = 400};
    if (text[0] == '/') {
        snprintf(b->device, sizeof b->device, "%s", text);
        return;
    }
    const char *colon = strrchr(text, ':');
    bool with_port = colon && strchr(text, ':') == colon;
    text_copy(b->host, sizeof b->host, text);
    if (with_port) {
        b->port = atoi(colon + 1);
        b->host[strcspn(b->host, ":")] = '\0';
    }
}

static bool survey(struct survey *v)
{
    static struct meter_map best;
    struct scan_options o = {.first_unit = v->options->first_unit,
                             .last_unit = v->options->last_unit,
                             .other_settings = true,
                             .say = tell};
    char why[160] = "";
    bus_of(v->options->bus, &o.bus);
    printf("looking for meters on %s, units %d to %d ...\n", v->options->bus, o.first_unit,
           o.last_unit);
    fflush(stdout);
    if (!scan_bus(&o, &v->scan, why, sizeof why)) {
        fprintf(stderr, "foretrip commission: %s: %s\n", v->options->bus, why);
        return false;
    }
    if (v->scan.unit_count == 0) {
        fprintf(stderr, "foretrip commission: nothing answers on %s%s\n", v->options->bus,
                v->scan.spoilt ? ", but something speaks: damaged answers came (termination, "
                                 "another master, or a speed that is not among the usual ones)"
                : o.bus.device[0] ? " (is the meter's supply on? are A and B of the line "
                                    "exchanged?)"
                                  : "");
        return false;
    }
    list_maps(v);
    v->link = link_create(&v->scan.bus, -1);
    if (!v->link)
        return false;
    bool any = false;
    for (int i = 0; i < v->scan.unit_count && i < MOST_FOUND; i++) {
        struct found_meter *m = &v->meters[v->meter_count++];
        m->unit = v->scan.units[i];
        tell_map(v, m, &best);
        if (!m->map[0])
            continue;
        any = true;
        read_amps(v, m, &best);
    }
    return any;
}

enum exit_code commission_new(const struct commission_options *o)
{
    enum exit_code code = EXIT_BAD;
    struct text t = TEXT_INIT;
    struct survey *v = calloc(1, sizeof *v);
    if (!v)
        return EXIT_BAD;
    v->options = o;
    if (survey(v)) {
        compose(&t, v);
        code = write_site(v, &t);
    }
    link_destroy(v->link);
    text_free(&t);
    free(v);
    return code;
}
