/* foretrip read: polls one meter once, over its bus as configured, and prints what it said. */
#include "find.h"
#include "options.h"
#include "verbs.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "config/reader.h"
#include "drivers/bus_tick.h"

#include <stdio.h>
#include <stdlib.h>

#define PATIENCE_US 5000000
#define MOST_TICKS                                                                             \
    2 /* the second for a meter that refuses to be read over unused registers                  \
       */

struct how {
    bool points, times;
};

static bool load(struct config *c, const char *directory)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text prefix = TEXT_INIT, out = TEXT_INIT;
    bool usable = config_load(c, directory, &faults);
    if (!usable) {
        text_printf(&prefix, "%s/", directory);
        faults_print(&faults, text_get(&prefix), &out);
        fputs(text_get(&out), stderr);
    }
    faults_free(&faults);
    text_free(&prefix);
    text_free(&out);
    return usable;
}

static int by_index(const void *a, const void *b)
{
    const struct bus_reading *x = a, *y = b;
    return (x->index > y->index) - (x->index < y->index);
}

static void print_readings(const struct site *s, struct bus_report *r, bool times)
{
    char column[SITE_ID_SIZE + 16];
    qsort(r->readings, r->reading_count, sizeof r->readings[0], by_index);
    for (size_t i = 0; i < r->reading_count; i++) {
        frame_column_name(s, r->readings[i].index, column, sizeof column);
        printf("%s %.7g", column, (double)r->readings[i].value);
        if (times)
            printf(" at %.1f ms, within %.1f", r->readings[i].taken.at_us / 1000.0,
                   r->readings[i].taken.within_us / 1000.0);
        putchar('\n');
    }
}

static void complain(const struct site_meter *m, const struct bus_meter_status *status)
{
    char fault[96];
    const char *how = "does not answer";
    if (status->state == BUS_METER_PARTLY)
        how = "gave only a part";
    else if (status->fault == FAULT_EXCEPTION)
        how = "refuses";
    fprintf(stderr, "foretrip read: meter %s %s (%s)\n", m->id, how,
            fault_describe(status->fault, status->exception, fault, sizeof fault));
}

/* A model's body, in as many reads as the meter's max_registers asks for. */
static bool read_model(struct bus_state *state, const struct sunspec_model *model,
                       uint16_t body[SUNSPEC_MOST_LENGTH])
{
    const struct bus_meter *m = &state->meters[0];
    int most = m->map->max_registers;
    int length = model->length < SUNSPEC_MOST_LENGTH ? model->length : SUNSPEC_MOST_LENGTH;
    for (int at = 0; at < length; at += most) {
        struct link_read q = {m->site->unit, SUNSPEC_FUNCTION, model->address + 2 + at,
                              length - at < most ? length - at : most};
        struct link_result r =
            bus_state_ask(state, &q, clock_mono_us() + PATIENCE_US, body + at);
        if (r.fault != FAULT_NONE) {
            struct bus_meter_status status = {
                .state = BUS_METER_PARTLY, .fault = r.fault, .exception = r.exception};
            complain(m->site, &status);
            return false;
        }
    }
    return true;
}

/* What a SunSpec meter says of itself, and every point that it has. */
static enum exit_code print_points(struct bus_state *state)
{
    const struct bus_meter *m = &state->meters[0];
    if (!m->sunspec || !m->sunspec->found) {
        fprintf(stderr, "foretrip read: meter %s is no SunSpec meter; --points is for those\n",
                m->site->id);
        return EXIT_BAD;
    }
    const struct sunspec_walk *w = &m->sunspec->walk;
    printf("Mn %s\nMd %s\nOpt %s\nVr %s\nSN %s\n", w->common.maker, w->common.model,
           w->common.options, w->common.version, w->common.serial);
    for (size_t i = 0; i < w->meter_count; i++) {
        struct sunspec_value values[SUNSPEC_MOST_VALUES];
        uint16_t body[SUNSPEC_MOST_LENGTH];
        if (!read_model(state, &w->meters[i], body))
            return EXIT_BAD;
        size_t n = sunspec_decode(w->meters[i].id, body, (size_t)w->meters[i].length, values);
        printf("model %d at register %d\n", w->meters[i].id, w->meters[i].address);
        for (size_t k = 0; k < n; k++)
            printf("%s %.10g%s%s\n", values[k].name, values[k].value,
                   values[k].unit[0] ? " " : "", values[k].unit);
    }
    return EXIT_GOOD;
}

static enum exit_code poll_once(struct config *c, int meter, const struct how *how)
{
    const struct site *s = &c->site;
    char why[256];
    struct bus_state state = {.site = s,
                              .maps = &c->maps,
                              .bus = s->meters[meter].bus,
                              .only_meter = meter,
                              .stop_fd = -1};
    enum exit_code code = EXIT_BAD;
    c->site.buses[state.bus].poll_ms = 0; /* as long as the meter's own timeout allows */
    if (!bus_state_prepare(&state, why, sizeof why)) {
        fprintf(stderr, "foretrip read: %s\n", why);
        bus_state_free(&state);
        return EXIT_BAD;
    }
    for (int i = 0; i < MOST_TICKS && code != EXIT_GOOD; i++) {
        struct bus_report *r = bus_state_tick(&state, 0, clock_mono_us());
        if (r && r->meters[0].state == BUS_METER_OK)
            code = EXIT_GOOD;
        if (r && !how->points && (code == EXIT_GOOD || i + 1 == MOST_TICKS))
            print_readings(s, r, how->times);
        if (r && code != EXIT_GOOD && i + 1 == MOST_TICKS)
            complain(&s->meters[meter], &r->meters[0]);
        bus_report_free(r);
    }
    if (code == EXIT_GOOD && how->points)
        code = print_points(&state);
    bus_state_free(&state);
    return code;
}

enum exit_code verb_read(int argc, char **argv)
{
    const char *directory = NULL;
    struct how how = {0};
    const struct option_row rows[] = {{.name = "config", .value = &directory, .needed = true},
                                      {.name = "points", .flag = &how.points},
                                      {.name = "times", .flag = &how.times}};
    if (argc < 2 || argv[1][0] == '-') {
        fputs("foretrip read: which meter? (foretrip help read)\n", stderr);
        return EXIT_USAGE;
    }
    const char *id = argv[1];
    argv[1] = argv[0];
    if (!options_take(rows, 3, argc - 1, argv + 1))
        return EXIT_USAGE;
    log_set_level(LOG_LEVEL_WARNING);
    struct config c;
    if (!load(&c, directory))
        return EXIT_BAD;
    enum exit_code code = EXIT_USAGE;
    int meter = find_meter(&c.site, "read", id);
    if (meter >= 0)
        code = poll_once(&c, meter, &how);
    config_free(&c);
    return code;
}
