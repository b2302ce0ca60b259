#include "study_file.h"

#include "config/shipped.h"

#include <assert.h>
#include <string.h>

#define USUAL_EDITION "2023"

/* as written; which panel and circuit is found afterwards */
struct raw_study {
    char edition[SITE_ID_SIZE];
    bool occupied, seasonal_recorded, peaks_cut;
    double unrecorded_va;
};

struct raw_dwelling {
    char panel[SITE_ID_SIZE];
    struct dwelling dwelling;
};

struct raw_load {
    struct dwelling_load load;
    int kind;
};

struct raw_conductor {
    char circuit[SITE_ID_SIZE], panel[SITE_ID_SIZE];
    double ampacity_amps;
};

static const char *const kind_words[] = {/* enum dwelling_load_kind */
                                         "appliance", "vehicle",         "air_conditioning",
                                         "heat_pump", "heat_supplement", "central_heat",
                                         "room_heat", "storage_heat",    NULL};

#define AT(type, member) .offset = offsetof(struct type, member)
#define TEXT_AT(type, member) AT(type, member), .size = sizeof((struct type *)0)->member
#define SHARE .least = 0, .most = 2
#define VA .least = 0, .most = 1e6

const struct field edition_fields[EDITION_KEYS] = {
    [EDITION_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(code_edition, id),
                    .help = "its year"},
    [EDITION_ARTICLE] = {"article", FIELD_INTEGER, .required = true, AT(code_edition, article),
                         .least = 1, .most = 999,
                         .help = "in which load calculations stand: 220, or 120 from 2026 on"},
    [EDITION_DWELLING] = {"dwelling_va_per_ft2", FIELD_NUMBER,
                          AT(code_edition, dwelling_va_per_ft2), .least = 0, .most = 100,
                          .fallback = "3", .help = "lighting and receptacles, a square foot"},
    [EDITION_SMALL_APPLIANCE] = {"small_appliance_va", FIELD_NUMBER,
                                 AT(code_edition, small_appliance_va), VA, .fallback = "1500",
                                 .help = "a small-appliance circuit"},
    [EDITION_LAUNDRY] = {"laundry_va", FIELD_NUMBER, AT(code_edition, laundry_va), VA,
                         .fallback = "1500", .help = "a laundry circuit"},
    [EDITION_LEAST_CIRCUITS] = {"least_small_appliance_circuits", FIELD_INTEGER,
                                AT(code_edition, least_small_appliance_circuits), .least = 0,
                                .most = 20, .fallback = "2",
                                .help = "small-appliance circuits of a dwelling, at the least"},
    [EDITION_OPTIONAL_FIRST] = {"optional_first_va", FIELD_NUMBER,
                                AT(code_edition, optional_first_va), VA, .fallback = "10000",
                                .help = ".82(B): counted in full"},
    [EDITION_OPTIONAL_REST] = {"optional_rest", FIELD_NUMBER, AT(code_edition, optional_rest),
                               SHARE, .fallback = "0.4", .help = ".82(B): share of the rest"},
    [EDITION_OPTIONAL_LEAST] = {"optional_least_amps", FIELD_NUMBER,
                                AT(code_edition, optional_least_amps), .least = 0, .most = 1000,
                                .fallback = "100",
                                .help = ".82(A): the service, or feeder, at the least"},
    [EDITION_EXISTING_FIRST] = {"existing_first_va", FIELD_NUMBER,
                                AT(code_edition, existing_first_va), VA, .fallback = "8000",
                                .help = ".83: counted in full; some places ask for 10000"},
    [EDITION_EXISTING_REST] = {"existing_rest", FIELD_NUMBER, AT(code_edition, existing_rest),
                               SHARE, .fallback = "0.4", .help = ".83: share of the rest"},
    [EDITION_FEW_HEATERS] = {"few_heaters", FIELD_NUMBER, AT(code_edition, few_heaters), SHARE,
                             .fallback = "0.65",
                             .help = ".82(C): share of few heaters controlled separately"},
    [EDITION_MANY_HEATERS] = {"many_heaters", FIELD_NUMBER, AT(code_edition, many_heaters),
                              SHARE, .fallback = "0.4",
                              .help = ".82(C): share of many of them"},
    [EDITION_MANY_FROM] = {"many_heaters_from", FIELD_INTEGER,
                           AT(code_edition, many_heaters_from), .least = 1, .most = 100,
                           .fallback = "4", .help = "from so many on they are many"},
    [EDITION_CENTRAL_HEAT] = {"central_heat", FIELD_NUMBER, AT(code_edition, central_heat),
                              SHARE, .fallback = "0.65",
                              .help = ".82(C): share of central electric heat"},
    [EDITION_SUPPLEMENT] = {"heat_supplement", FIELD_NUMBER, AT(code_edition, heat_supplement),
                            SHARE, .fallback = "0.65",
                            .help = ".82(C): share of a heat pump's supplementary heat"},
    [EDITION_RECORDED_FACTOR] = {"recorded_factor", FIELD_NUMBER,
                                 AT(code_edition, recorded_factor), .least = 1, .most = 5,
                                 .fallback = "1.25", .help = ".87: on the maximum demand"},
    [EDITION_RECORDED_DAYS] = {"recorded_days", FIELD_INTEGER, AT(code_edition, recorded_days),
                               .least = 1, .most = 366, .fallback = "30",
                               .help = ".87, exception: days of 15-minute demand"},
    [EDITION_CONTINUOUS] = {"continuous_factor", FIELD_NUMBER,
                            AT(code_edition, continuous_factor), .least = 1, .most = 5,
                            .fallback = "1.25",
                            .help = "on what is on for three hours or more"},
    [EDITION_VEHICLE] = {"vehicle_least_va", FIELD_NUMBER, AT(code_edition, vehicle_least_va),
                         VA, .fallback = "0",
                         .help = ".57: charging equipment counts so much at the least"},
    [EDITION_PLUG_SHARE] = {"plug_share", FIELD_NUMBER, AT(code_edition, plug_share), SHARE,
                            .fallback = "0.8",
                            .help = "of a circuit of several outlets, for one plug"},
    [EDITION_FASTENED_SHARE] = {"fastened_share", FIELD_NUMBER,
                                AT(code_edition, fastened_share), SHARE, .fallback = "0.5",
                                .help = "and for what is fastened in place on it"},
    [EDITION_PLUG_SECTION] = {"plug_section", FIELD_TEXT, TEXT_AT(code_edition, plug_section),
                              .fallback = "\"210.23(A)(1)\"", .help = "where that stands"},
    [EDITION_FASTENED_SECTION] = {"fastened_section", FIELD_TEXT,
                                  TEXT_AT(code_edition, fastened_section),
                                  .fallback = "\"210.23(A)(2)\"", .help = "and that"},
    [EDITION_NOTE] = {"note", FIELD_TEXT, TEXT_AT(code_edition, note), .fallback = "none",
                      .help = "printed on every sheet of this edition"},
};

const struct field study_fields[STUDY_KEYS] = {
    [STUDY_EDITION] = {"edition", FIELD_ID, TEXT_AT(raw_study, edition),
                       .fallback = "\"" USUAL_EDITION "\"",
                       .help = "of the code that holds here, one of editions.cfg"},
    [STUDY_OCCUPIED] = {"occupied", FIELD_SWITCH, AT(raw_study, occupied), .fallback = "false",
                        .help = "the record was taken while people lived there"},
    [STUDY_SEASONAL] = {"seasonal_recorded", FIELD_SWITCH, AT(raw_study, seasonal_recorded),
                        .fallback = "false",
                        .help = "the larger of heating and cooling, and seasonal loads, are in "
                                "the record"},
    [STUDY_UNRECORDED] = {"unrecorded_va", FIELD_NUMBER, AT(raw_study, unrecorded_va), VA,
                          .fallback = "0", .help = "what of them is not, by calculation"},
    [STUDY_PEAKS_CUT] = {"peaks_cut", FIELD_SWITCH, AT(raw_study, peaks_cut),
                         .fallback = "false",
                         .help = "photovoltaics, wind, storage or other peak shaving is there"},
};

const struct field dwelling_fields[DWELLING_KEYS] = {
    [DWELLING_PANEL] = {"panel", FIELD_ID, .required = true, TEXT_AT(raw_dwelling, panel),
                        .help = "whose service or feeder it is"},
    [DWELLING_FLOOR] = {"floor_ft2", FIELD_NUMBER, .required = true,
                        AT(raw_dwelling, dwelling.floor_ft2), .least = 1, .most = 1e6,
                        .help = "floor area, square feet, outside dimensions"},
    [DWELLING_VOLTS] = {"volts", FIELD_NUMBER, AT(raw_dwelling, dwelling.volts), .least = 50,
                        .most = 1000, .fallback = "twice nominal_volts with two legs",
                        .help = "by which amps are made of VA"},
    [DWELLING_SMALL_APPLIANCE] = {"small_appliance_circuits", FIELD_INTEGER,
                                  AT(raw_dwelling, dwelling.small_appliance_circuits),
                                  .least = 0, .most = 40, .fallback = "2",
                                  .help = "circuits for small appliances"},
    [DWELLING_LAUNDRY] = {"laundry_circuits", FIELD_INTEGER,
                          AT(raw_dwelling, dwelling.laundry_circuits), .least = 0, .most = 40,
                          .fallback = "1", .help = "circuits for laundry"},
    [DWELLING_LOADS] = {"loads", FIELD_LIST, .fallback = "none",
                        .help = "what is fastened in place or has a circuit of its own"},
};

const struct field dwelling_load_fields[DWELLING_LOAD_KEYS] = {
    [DWELLING_LOAD_NAME] = {"name", FIELD_TEXT, .required = true, TEXT_AT(raw_load, load.name),
                            .help = "what it is"},
    [DWELLING_LOAD_KIND] = {"kind", FIELD_WORD, AT(raw_load, kind), .words = kind_words,
                            .fallback = "\"appliance\"",
                            .help = "ranges, dryers, water heaters and motors are appliances"},
    [DWELLING_LOAD_VA] = {"va", FIELD_NUMBER, .required = true, AT(raw_load, load.va), VA,
                          .help = "its nameplate, of one"},
    [DWELLING_LOAD_COUNT] = {"count", FIELD_INTEGER, AT(raw_load, load.count), .least = 1,
                             .most = 100, .fallback = "1",
                             .help = "how many; of room heaters those controlled separately"},
    [DWELLING_LOAD_NEW] = {"new", FIELD_SWITCH, AT(raw_load, load.is_new), .fallback = "false",
                           .help = "not there yet: may it be added?"},
};

const struct field conductor_fields[CONDUCTOR_KEYS] = {
    [CONDUCTOR_CIRCUIT] = {"circuit", FIELD_ID, TEXT_AT(raw_conductor, circuit),
                           .fallback = "none", .help = "whose conductors these are"},
    [CONDUCTOR_PANEL] = {"panel", FIELD_ID, TEXT_AT(raw_conductor, panel), .fallback = "none",
                         .help = "or the panel that they feed"},
    [CONDUCTOR_AMPACITY] = {"ampacity_amps", FIELD_NUMBER, .required = true,
                            AT(raw_conductor, ampacity_amps), .least = 1, .most = 10000,
                            .help = "what they carry where they lie (Iz), by an electrician"},
};

static const struct field editions_top[] = {
    {.name = "editions", .kind = FIELD_LIST, .required = true},
};
static const struct field study_top[] = {
    {.name = "study", .kind = FIELD_GROUP},
    {.name = "dwellings", .kind = FIELD_LIST},
    {.name = "conductors", .kind = FIELD_LIST},
};

/* ---- editions.cfg ---- */

static struct code_edition usual_edition(void)
{
    return (struct code_edition){.dwelling_va_per_ft2 = 3,
                                 .small_appliance_va = 1500,
                                 .laundry_va = 1500,
                                 .least_small_appliance_circuits = 2,
                                 .optional_first_va = 10000,
                                 .optional_rest = 0.4,
                                 .optional_least_amps = 100,
                                 .existing_first_va = 8000,
                                 .existing_rest = 0.4,
                                 .few_heaters = 0.65,
                                 .many_heaters = 0.4,
                                 .many_heaters_from = 4,
                                 .central_heat = 0.65,
                                 .heat_supplement = 0.65,
                                 .recorded_factor = 1.25,
                                 .recorded_days = 30,
                                 .continuous_factor = 1.25,
                                 .plug_share = 0.8,
                                 .fastened_share = 0.5,
                                 .plug_section = "210.23(A)(1)",
                                 .fastened_section = "210.23(A)(2)"};
}

/* a list's groups, at most so many; 0 when it is no list */
static int list_length(const struct config_file *file, const config_setting_t *list,
                       const char *name, int most)
{
    int n = list && config_setting_is_list(list) ? config_setting_length(list) : 0;
    if (n > most)
        field_error(file, (int)config_setting_source_line(list), "%s has %d groups; %d fit",
                    name, n, most);
    return n < most ? n : most;
}

static void read_editions(struct load_study *s, const struct config_file *file)
{
    fields_read(file, file->root, "editions.cfg", editions_top, 1, NULL);
    const config_setting_t *list = config_setting_get_member(file->root, "editions");
    int n = list_length(file, list, "editions", STUDY_MOST_EDITIONS);
    if (list && n == 0)
        field_error(file, field_line(file->root, "editions"), "editions has no group in it");
    for (int i = 0; i < n; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        struct code_edition e = usual_edition();
        fields_read(file, group, "an edition", edition_fields, EDITION_KEYS, &e);
        if (load_study_find_edition(s, e.id) >= 0)
            field_error(file, field_line(group, "id"), "there is an edition \"%s\" already",
                        e.id);
        s->editions[s->edition_count++] = e;
    }
}

static void load_editions(struct load_study *s, const struct config_source *source,
                          struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = source_open(&file, source, "editions.cfg", faults);
    if (result == SOURCE_ABSENT) {
        const struct shipped_file *shipped = shipped_find("editions.cfg");
        assert(shipped);
        result = source_parse(&file, "editions.cfg", shipped->text, shipped->length, faults);
    }
    if (result != SOURCE_OPEN)
        return;
    read_editions(s, &file);
    source_close(&file);
}

/* ---- study.cfg ---- */

struct place {
    const struct config_file *file;
    const struct site *site;
    bool site_good;
};

/* -1 having said so, where the site is known */
static int find_panel(const struct place *p, const config_setting_t *group, const char *id)
{
    struct nearest n = {.word = id};
    char did_you_mean[NEAREST_SIZE];
    int found = site_find_panel(p->site, id);
    for (size_t i = 0; i < p->site->panel_count; i++)
        nearest_offer(&n, p->site->panels[i].id);
    if (found < 0 && p->site_good)
        field_error(p->file, field_line(group, "panel"),
                    "panel = \"%s\": site.cfg has no panel of that id%s", id,
                    nearest_say(&n, did_you_mean, sizeof did_you_mean));
    return found;
}

static int find_circuit(const struct place *p, const config_setting_t *group, const char *id)
{
    struct nearest n = {.word = id};
    char did_you_mean[NEAREST_SIZE];
    int found = site_find_circuit(p->site, id);
    for (size_t i = 0; i < p->site->circuit_count; i++)
        nearest_offer(&n, p->site->circuits[i].id);
    if (found < 0 && p->site_good)
        field_error(p->file, field_line(group, "circuit"),
                    "circuit = \"%s\": site.cfg has no circuit of that id%s", id,
                    nearest_say(&n, did_you_mean, sizeof did_you_mean));
    return found;
}

static void read_loads(const struct place *p, const config_setting_t *list, struct dwelling *d)
{
    int n = list_length(p->file, list, "loads", STUDY_MOST_LOADS);
    for (int i = 0; i < n; i++) {
        struct raw_load raw = {.load.count = 1};
        fields_read(p->file, config_setting_get_elem(list, (unsigned)i), "a load",
                    dwelling_load_fields, DWELLING_LOAD_KEYS, &raw);
        raw.load.kind = (enum dwelling_load_kind)raw.kind;
        d->loads[d->load_count++] = raw.load;
    }
}

static void read_dwelling(struct load_study *s, const struct place *p,
                          const config_setting_t *group)
{
    struct raw_dwelling raw = {
        .dwelling = {.panel = -1, .small_appliance_circuits = 2, .laundry_circuits = 1}};
    struct fields_result keys =
        fields_read(p->file, group, "a dwelling", dwelling_fields, DWELLING_KEYS, &raw);
    struct dwelling *d = &raw.dwelling;
    if (keys.given & FIELD_BIT(DWELLING_PANEL))
        d->panel = find_panel(p, group, raw.panel);
    if (d->panel >= 0 && load_study_dwelling(s, d->panel))
        field_error(p->file, field_line(group, "panel"),
                    "there is a dwelling of panel \"%s\" already", raw.panel);
    if (d->panel >= 0 && !(keys.given & FIELD_BIT(DWELLING_VOLTS)))
        d->volts = p->site->nominal_volts * (p->site->panels[d->panel].legs == 2 ? 2.0 : 1.0);
    if (d->panel >= 0 && p->site->panels[d->panel].legs == 3)
        field_error(p->file, field_line(group, "panel"),
                    "panel \"%s\" has three legs; .82 and .83 are for 3-wire services",
                    raw.panel);
    if (keys.given & FIELD_BIT(DWELLING_LOADS))
        read_loads(p, config_setting_get_member(group, "loads"), d);
    s->dwellings[s->dwelling_count++] = *d;
}

static void read_conductor(struct load_study *s, const struct place *p,
                           const config_setting_t *group)
{
    struct raw_conductor raw = {0};
    struct conductor *c = &s->conductors[s->conductor_count++];
    struct fields_result keys =
        fields_read(p->file, group, "a conductor", conductor_fields, CONDUCTOR_KEYS, &raw);
    bool circuit = (keys.given & FIELD_BIT(CONDUCTOR_CIRCUIT)) != 0;
    bool panel = (keys.given & FIELD_BIT(CONDUCTOR_PANEL)) != 0;
    *c = (struct conductor){-1, -1, raw.ampacity_amps};
    if (circuit == panel)
        field_error(p->file, field_line(group, "ampacity_amps"),
                    "a conductor is of a circuit or of a panel: give one of the two");
    else if (circuit)
        c->circuit = find_circuit(p, group, raw.circuit);
    else
        c->panel = find_panel(p, group, raw.panel);
}

static void read_study(struct load_study *s, const struct place *p)
{
    const config_setting_t *root = p->file->root;
    struct raw_study raw = {.edition = USUAL_EDITION};
    fields_read(p->file, root, "study.cfg", study_top, 3, NULL);
    const config_setting_t *group = config_setting_get_member(root, "study");
    if (group && config_setting_is_group(group))
        fields_read(p->file, group, "the group study", study_fields, STUDY_KEYS, &raw);
    s->edition = load_study_find_edition(s, raw.edition);
    s->occupied = raw.occupied;
    s->seasonal_recorded = raw.seasonal_recorded;
    s->peaks_cut = raw.peaks_cut;
    s->unrecorded_va = raw.unrecorded_va;
    if (s->edition < 0)
        field_error(p->file, group ? field_line(group, "edition") : 0,
                    "edition = \"%s\": there is no such one in editions.cfg", raw.edition);
    const config_setting_t *list = config_setting_get_member(root, "dwellings");
    int n = list_length(p->file, list, "dwellings", STUDY_MOST_DWELLINGS);
    for (int i = 0; i < n; i++)
        read_dwelling(s, p, config_setting_get_elem(list, (unsigned)i));
    list = config_setting_get_member(root, "conductors");
    n = list_length(p->file, list, "conductors", STUDY_MOST_CONDUCTORS);
    for (int i = 0; i < n; i++)
        read_conductor(s, p, config_setting_get_elem(list, (unsigned)i));
}

void study_files_read(struct load_study *s, const struct config_source *source,
                      const struct site *site, bool site_good, struct config_faults *faults)
{
    struct config_file file;
    load_editions(s, source, faults);
    int usual = load_study_find_edition(s, USUAL_EDITION);
    s->edition = usual >= 0 ? usual : (int)s->edition_count - 1;
    if (source_open(&file, source, "study.cfg", faults) != SOURCE_OPEN)
        return;
    const struct place p = {&file, site, site_good};
    read_study(s, &p);
    source_close(&file);
}
