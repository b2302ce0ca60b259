#include "site_file.h"

#include "base/clock.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Members that a table cannot write straight into the model's struct are read here first. */
struct raw_bus {
    struct site_bus bus;
    int parity, rs485;
};

struct raw_meter {
    struct site_meter meter;
    char bus[SITE_ID_SIZE];
    char panel[SITE_ID_SIZE];
};

struct raw_circuit {
    struct site_circuit circuit;
    char panel[SITE_ID_SIZE];
    char meter[SITE_ID_SIZE];
    int type;
    int feeds;
};

struct raw_site {
    struct site site;
    int standard;
};

static const char *const standards[] = {"UL489", "IEC60898", NULL}; /* enum site_standard */
static const char *const parities[] = {"none", "even", "odd", NULL};
static const char *const rs485_modes[] = {"adapter", "kernel", "rts_high", "rts_low",
                                          NULL}; /* enum site_rs485 */
static const char *const types[] = {"", "B", "C", "D", NULL};
static const char *const feeds[] = {"", "one_appliance", "several_outlets",
                                    NULL}; /* enum site_feeds */

#define AT(type, member) .offset = offsetof(struct type, member)
#define TEXT_AT(type, member) AT(type, member), .size = sizeof((struct type *)0)->member

const struct field site_fields[SITE_KEYS] = {
    [SITE_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_site, site.id),
                 .help = "short name of the site, part of every topic and file name"},
    [SITE_NAME] = {"name", FIELD_TEXT, .required = true, TEXT_AT(raw_site, site.name),
                   .help = "what people call it, such as its address"},
    [SITE_TIMEZONE] = {"timezone", FIELD_TEXT, .required = true,
                       TEXT_AT(raw_site, site.timezone),
                       .help = "the zone of its clocks, such as \"America/Chicago\""},
    [SITE_STANDARD] = {"standard", FIELD_WORD, .required = true, AT(raw_site, standard),
                       .words = standards, .help = "what its breakers are built to"},
    [SITE_NOMINAL_VOLTS] = {"nominal_volts", FIELD_NUMBER, .required = true,
                            AT(raw_site, site.nominal_volts), .least = 90, .most = 300,
                            .help = "volts between a leg and the neutral"},
};

const struct field panel_fields[PANEL_KEYS] = {
    [PANEL_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(site_panel, id),
                  .help = "short name of the panel"},
    [PANEL_NAME] = {"name", FIELD_TEXT, .required = true, TEXT_AT(site_panel, name),
                    .help = "what people call it, and where it hangs"},
    [PANEL_LEGS] = {"legs", FIELD_INTEGER, .required = true, AT(site_panel, legs), .least = 1,
                    .most = SITE_MAX_LEGS, .help = "1, 2 (split phase) or 3"},
    [PANEL_RATING] = {"rating_amps", FIELD_NUMBER, .required = true,
                      AT(site_panel, rating_amps), .least = 6, .most = 6000,
                      .help = "rating of its main or its busbar"},
    [PANEL_FED_BY] = {"fed_by", FIELD_ID, TEXT_AT(site_panel, fed_by_id),
                      .fallback = "the utility",
                      .help = "id of the circuit whose breaker feeds it"},
    [PANEL_AMBIENT] = {"ambient_celsius", FIELD_NUMBER, AT(site_panel, ambient_celsius),
                       .least = -40, .most = 80, .fallback = "rules.cfg",
                       .help = "air around its breakers"},
};

const struct field bus_fields[BUS_KEYS] = {
    [BUS_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_bus, bus.id),
                .help = "short name of the bus"},
    [BUS_DEVICE] = {"device", FIELD_TEXT, TEXT_AT(raw_bus, bus.device), .fallback = "",
                    .help = "serial line, such as \"/dev/ttyUSB0\""},
    [BUS_HOST] = {"host", FIELD_TEXT, TEXT_AT(raw_bus, bus.host), .fallback = "",
                  .help = "name or address of a meter or of a gateway on the network"},
    [BUS_PORT] = {"port", FIELD_INTEGER, AT(raw_bus, bus.port), .least = 1, .most = 65535,
                  .fallback = "502", .help = "TCP port"},
    [BUS_BAUD] = {"baud", FIELD_INTEGER, AT(raw_bus, bus.baud), .least = 300, .most = 921600,
                  .fallback = "19200", .help = "speed of a serial line"},
    [BUS_PARITY] = {"parity", FIELD_WORD, AT(raw_bus, parity), .words = parities,
                    .fallback = "\"even\"", .help = "parity of a serial line"},
    [BUS_STOP_BITS] = {"stop_bits", FIELD_INTEGER, AT(raw_bus, bus.stop_bits), .least = 1,
                       .most = 2, .fallback = "1, without parity 2",
                       .help = "stop bits of a serial line"},
    [BUS_RS485] = {"rs485", FIELD_WORD, AT(raw_bus, rs485), .words = rs485_modes,
                   .fallback = "\"adapter\"",
                   .help = "who turns the line round between sending and listening"},
    [BUS_TLS] = {"tls", FIELD_GROUP, .fallback = "no TLS",
                 .help = "Modbus/TCP Security: a group, see below; the port is then 802 when "
                         "none is given"},
    [BUS_POLL] = {"poll_ms", FIELD_INTEGER, AT(raw_bus, bus.poll_ms), .least = 50,
                  .most = 60000, .fallback = "1000",
                  .help = "every meter of the bus is read once in this time"},
    [BUS_TIMEOUT] = {"timeout_ms", FIELD_INTEGER, AT(raw_bus, bus.timeout_ms), .least = 10,
                     .most = 10000, .fallback = "400",
                     .help = "how long a meter may take to answer"},
};

const struct field bus_tls_fields[BUS_TLS_KEYS] = {
    [BUS_TLS_CA] = {"ca", FIELD_TEXT, .required = true, TEXT_AT(site_bus_tls, ca),
                    .help = "PEM file of the authority that signed the meter's certificate"},
    [BUS_TLS_CERT] = {"cert", FIELD_TEXT, TEXT_AT(site_bus_tls, cert), .fallback = "none",
                      .help = "PEM file of the gateway's own certificate"},
    [BUS_TLS_KEY] = {"key", FIELD_TEXT, TEXT_AT(site_bus_tls, key), .fallback = "none",
                     .help = "PEM file of its key"},
    [BUS_TLS_NAME] = {"name", FIELD_TEXT, TEXT_AT(site_bus_tls, name), .fallback = "the host",
                      .help = "name in the meter's certificate"},
};

const struct field meter_fields[METER_KEYS] = {
    [METER_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_meter, meter.id),
                  .help = "short name of the meter"},
    [METER_BUS] = {"bus", FIELD_ID, .required = true, TEXT_AT(raw_meter, bus),
                   .help = "id of the bus it hangs on"},
    [METER_UNIT] = {"unit", FIELD_INTEGER, .required = true, AT(raw_meter, meter.unit),
                    .least = 0, .most = 255, .help = "its Modbus unit id"},
    [METER_MAP] = {"map", FIELD_ID, .required = true, TEXT_AT(raw_meter, meter.map),
                   .help = "its register map: maps/<map>.cfg, or a shipped one"},
    [METER_PANEL] = {"panel", FIELD_ID, TEXT_AT(raw_meter, panel), .fallback = "none",
                     .help = "id of the panel whose voltages it measures"},
};

const struct field circuit_fields[CIRCUIT_KEYS] = {
    [CIRCUIT_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_circuit, circuit.id),
                    .help = "short name of the circuit"},
    [CIRCUIT_PANEL] = {"panel", FIELD_ID, .required = true, TEXT_AT(raw_circuit, panel),
                       .help = "id of the panel its breaker sits in"},
    [CIRCUIT_POSITION] = {"position", FIELD_TEXT, .required = true,
                          TEXT_AT(raw_circuit, circuit.position),
                          .help = "as the panel door says: \"7\", for two poles \"7,9\""},
    [CIRCUIT_NAME] = {"name", FIELD_TEXT, .required = true, TEXT_AT(raw_circuit, circuit.name),
                      .help = "what the panel directory says it feeds"},
    [CIRCUIT_POLES] = {"poles", FIELD_INTEGER, AT(raw_circuit, circuit.poles), .least = 1,
                       .most = SITE_MAX_POLES, .fallback = "1",
                       .help = "poles of the breaker, the neutral's not counted"},
    [CIRCUIT_LEG] = {"leg", FIELD_TEXT, TEXT_AT(raw_circuit, circuit.leg),
                     .fallback = "all legs of the panel",
                     .help = "one letter a pole: \"A\", \"AB\", \"ABC\""},
    [CIRCUIT_BREAKER] = {"breaker_amps", FIELD_NUMBER, .required = true,
                         AT(raw_circuit, circuit.breaker_amps), .least = 0.5, .most = 6000,
                         .help = "rating of the breaker"},
    [CIRCUIT_TYPE] = {"type", FIELD_WORD, AT(raw_circuit, type), .words = types,
                      .fallback = "\"\"",
                      .help = "B, C or D of an IEC60898 breaker; empty for UL489"},
    [CIRCUIT_METER] = {"meter", FIELD_ID, TEXT_AT(raw_circuit, meter), .fallback = "none",
                       .help = "id of the meter that measures it"},
    [CIRCUIT_CHANNELS] =
        {"channels", FIELD_NUMBERS, .fallback = "none",
         .help = "channels of that meter, one a pole; 0 where a pole is not measured"},
    [CIRCUIT_CT_RATIO] = {"ct_ratio", FIELD_NUMBER, AT(raw_circuit, circuit.ct_ratio),
                          .least = 0.0001, .most = 10000, .fallback = "1.0",
                          .help = "multiplies what the meter says in amps and watts"},
    [CIRCUIT_CT_REVERSED] = {"ct_reversed", FIELD_SWITCH, AT(raw_circuit, circuit.ct_reversed),
                             .fallback = "false",
                             .help = "the current transformer faces the other way"},
    [CIRCUIT_ESSENTIAL] =
        {"essential", FIELD_SWITCH, AT(raw_circuit, circuit.essential), .fallback = "false",
         .help = "a freezer, a sump pump, medical equipment: nobody is told to switch it off"},
    [CIRCUIT_FULL_RATED] = {"full_rated", FIELD_SWITCH, AT(raw_circuit, circuit.full_rated),
                            .fallback = "false",
                            .help = "the breaker is marked for 100 % continuous load"},
    [CIRCUIT_NEUTRAL_GROUP] = {"neutral_group", FIELD_ID,
                               TEXT_AT(raw_circuit, circuit.neutral_group), .fallback = "none",
                               .help = "circuits that share one neutral carry the same word"},
    [CIRCUIT_FEEDS] = {"feeds", FIELD_WORD, AT(raw_circuit, feeds), .words = feeds,
                       .fallback = "\"\"",
                       .help = "one appliance alone, or several outlets; empty: not said"},
    [CIRCUIT_FASTENED] =
        {"fastened_amps", FIELD_NUMBER, AT(raw_circuit, circuit.fastened_amps), .least = 0.1,
         .most = 100, .fallback = "0",
         .help = "nameplate current of what is fastened in place on it, such as a disposer"},
};

enum { TOP_SITE, TOP_PANELS, TOP_BUSES, TOP_METERS, TOP_CIRCUITS, TOP_KEYS };

static const struct field top_fields[TOP_KEYS] = {
    [TOP_SITE] = {"site", FIELD_GROUP, .required = true,
                  .help = "id, name, timezone, standard, nominal_volts"},
    [TOP_PANELS] = {"panels", FIELD_LIST, .required = true, .help = "one group a panel"},
    [TOP_BUSES] = {"buses", FIELD_LIST, .help = "one group a Modbus line or endpoint"},
    [TOP_METERS] = {"meters", FIELD_LIST, .help = "one group a meter"},
    [TOP_CIRCUITS] = {"circuits", FIELD_LIST, .required = true, .help = "one group a breaker"},
};

/* `circuit "main-07"`, or `a circuit` as long as it has no good id */
static const char *describe(const config_setting_t *group, const char *noun, char *out,
                            size_t capacity)
{
    const char *id = NULL;
    if (config_setting_is_group(group) && config_setting_lookup_string(group, "id", &id) &&
        site_id_valid(id))
        snprintf(out, capacity, "%s \"%s\"", noun, id);
    else
        snprintf(out, capacity, "a %s", noun);
    return out;
}
#define DESCRIBE_SIZE (SITE_ID_SIZE + 16)

/* ---- one element of each kind; false when there is no room for it
 * ---------------------------- */

static bool read_panel(struct site_reading *r, struct site_element *e, const char *what)
{
    struct site_panel *p = site_add_panel(r->site);
    if (!p)
        return false;
    e->keys = fields_read(r->file, e->group, what, panel_fields, PANEL_KEYS, p);
    return true;
}

static bool read_bus(struct site_reading *r, struct site_element *e, const char *what)
{
    struct site_bus *b = site_add_bus(r->site);
    if (!b)
        return false;
    struct raw_bus raw = {.bus = *b, .parity = 1};
    e->keys = fields_read(r->file, e->group, what, bus_fields, BUS_KEYS, &raw);
    raw.bus.parity = "NEO"[raw.parity];
    raw.bus.rs485 = (enum site_rs485)raw.rs485;
    if (site_key(e, BUS_TLS))
        fields_read(r->file, config_setting_get_member(e->group, "tls"), "the group tls",
                    bus_tls_fields, BUS_TLS_KEYS, &raw.bus.tls);
    if (site_key(e, BUS_TLS) && !site_key(e, BUS_PORT))
        raw.bus.port = 802; /* MODBUS/TCP Security, mbap/TLS */
    if (raw.parity == 0 && !site_key(e, BUS_STOP_BITS))
        raw.bus.stop_bits =
            2; /* Modbus over Serial Line V1.02, 2.5.1: no parity, two stop bits */
    *b = raw.bus;
    return true;
}

static bool read_meter(struct site_reading *r, struct site_element *e, const char *what)
{
    struct site_meter *m = site_add_meter(r->site);
    if (!m)
        return false;
    struct raw_meter raw = {.meter = *m};
    e->keys = fields_read(r->file, e->group, what, meter_fields, METER_KEYS, &raw);
    memcpy(e->bus, raw.bus, sizeof e->bus);
    memcpy(e->panel, raw.panel, sizeof e->panel);
    *m = raw.meter;
    return true;
}

static void read_channels(struct site_reading *r, struct site_element *e,
                          struct site_circuit *c)
{
    const config_setting_t *list = config_setting_get_member(e->group, "channels");
    int count = config_setting_length(list);
    e->channel_count = (size_t)count;
    for (int i = 0; i < count; i++) {
        const config_setting_t *s = config_setting_get_elem(list, (unsigned)i);
        int channel =
            config_setting_type(s) == CONFIG_TYPE_INT ? config_setting_get_int(s) : -1;
        if (channel < 0 || channel > METER_MAP_MAX_CHANNELS || i >= SITE_MAX_POLES) {
            field_error(
                r->file, (int)config_setting_source_line(list),
                "channels holds up to %d integers from 1 to %d, 0 for a pole that is not "
                "measured",
                SITE_MAX_POLES, METER_MAP_MAX_CHANNELS);
            e->keys.given &= ~FIELD_BIT(CIRCUIT_CHANNELS);
            e->keys.faulty |= FIELD_BIT(CIRCUIT_CHANNELS);
            return;
        }
        c->channels[i] = channel;
    }
}

static bool read_circuit(struct site_reading *r, struct site_element *e, const char *what)
{
    struct site_circuit *c = site_add_circuit(r->site);
    if (!c)
        return false;
    struct raw_circuit raw = {.circuit = *c};
    e->keys = fields_read(r->file, e->group, what, circuit_fields, CIRCUIT_KEYS, &raw);
    memcpy(e->panel, raw.panel, sizeof e->panel);
    memcpy(e->meter, raw.meter, sizeof e->meter);
    raw.circuit.type = "\0BCD"[raw.type];
    raw.circuit.feeds = (enum site_feeds)raw.feeds;
    if (site_key(e, CIRCUIT_CHANNELS))
        read_channels(r, e, &raw.circuit);
    *c = raw.circuit;
    return true;
}

/* ---- the lists
 * ------------------------------------------------------------------------------- */

typedef bool element_reader(struct site_reading *r, struct site_element *e, const char *what);

static struct site_element *read_list(struct site_reading *r, const char *name,
                                      const char *noun, element_reader *read)
{
    const config_setting_t *list = config_setting_get_member(r->file->root, name);
    if (!list || !config_setting_is_list(list))
        return NULL;
    int count = config_setting_length(list);
    struct site_element *elements = calloc(count ? (size_t)count : 1, sizeof *elements);
    for (int i = 0; elements && i < count; i++) {
        char what[DESCRIBE_SIZE];
        elements[i].group = config_setting_get_elem(list, (unsigned)i);
        if (read(r, &elements[i], describe(elements[i].group, noun, what, sizeof what)))
            continue;
        field_error(r->file, (int)config_setting_source_line(elements[i].group),
                    "more %s than foretrip takes (%d)", name, i);
        break;
    }
    if (!elements)
        field_error(r->file, 0, "memory is short");
    return elements;
}

static void check_site_group(const struct site_reading *r, const config_setting_t *group)
{
    const struct site *s = r->site;
    const uint64_t both = FIELD_BIT(SITE_STANDARD) | FIELD_BIT(SITE_NOMINAL_VOLTS);
    if ((r->keys.given & FIELD_BIT(SITE_TIMEZONE)) && !clock_zone_known(s->timezone))
        field_error(
            r->file, field_line(group, "timezone"),
            "timezone = \"%s\" is not known to this system; write it as \"Area/City\", such "
            "as \"America/Chicago\" or \"Europe/Berlin\", or \"UTC\"",
            s->timezone);
    if ((r->keys.given & both) == both && s->standard == SITE_UL489 &&
        s->nominal_volts >= 200.0 && s->nominal_volts <= 250.0)
        field_warning(
            r->file, field_line(group, "nominal_volts"),
            "nominal_volts = %.10g lies between two legs where breakers are UL489; between a "
            "leg and the neutral it is 120",
            s->nominal_volts);
}

static void read_site_group(struct site_reading *r)
{
    const config_setting_t *group = config_setting_get_member(r->file->root, "site");
    if (!group || !config_setting_is_group(group))
        return;
    struct raw_site raw = {.site = *r->site, .standard = (int)r->site->standard};
    r->keys = fields_read(r->file, group, "the group site", site_fields, SITE_KEYS, &raw);
    *r->site = raw.site;
    r->site->standard = (enum site_standard)raw.standard;
    check_site_group(r, group);
}

/* ---- references
 * ------------------------------------------------------------------------------ */

/* The index that an id stands for, or a fault with the nearest of those there are. Every
 * element of the site's arrays begins with its id. */
static int resolve(const struct site_reading *r, const struct site_element *e, const char *key,
                   const char *id, const char *noun, const void *array, size_t count,
                   size_t size)
{
    struct nearest n = {.word = id};
    bool nameless = count == 0 && (r->top.unknown || r->top.faulty);
    for (size_t i = 0; i < count; i++) {
        const char *candidate = (const char *)array + i * size;
        if (strcmp(candidate, id) == 0)
            return (int)i;
        if (candidate[0])
            nearest_offer(&n, candidate);
        else
            nameless = true;
    }
    if (nameless)
        return -1;
    char did_you_mean[NEAREST_SIZE];
    nearest_say(&n, did_you_mean, sizeof did_you_mean);
    field_error(r->file, field_line(e->group, key), "%s = \"%s\": there is no %s of that id%s",
                key, id, noun,
                did_you_mean[0] ? did_you_mean
                : count         ? ""
                                : ", for there is none at all");
    return -1;
}

static void resolve_references(struct site_reading *r)
{
    struct site *s = r->site;
    for (size_t i = 0; i < s->panel_count; i++)
        if (site_key(&r->panels[i], PANEL_FED_BY))
            s->panels[i].fed_by =
                resolve(r, &r->panels[i], "fed_by", s->panels[i].fed_by_id, "circuit",
                        s->circuits, s->circuit_count, sizeof *s->circuits);
    for (size_t i = 0; i < s->meter_count; i++) {
        struct site_element *e = &r->meters[i];
        if (site_key(e, METER_BUS))
            s->meters[i].bus =
                resolve(r, e, "bus", e->bus, "bus", s->buses, s->bus_count, sizeof *s->buses);
        if (site_key(e, METER_PANEL))
            s->meters[i].panel = resolve(r, e, "panel", e->panel, "panel", s->panels,
                                         s->panel_count, sizeof *s->panels);
    }
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct site_element *e = &r->circuits[i];
        if (site_key(e, CIRCUIT_PANEL))
            s->circuits[i].panel = resolve(r, e, "panel", e->panel, "panel", s->panels,
                                           s->panel_count, sizeof *s->panels);
        if (site_key(e, CIRCUIT_METER))
            s->circuits[i].meter = resolve(r, e, "meter", e->meter, "meter", s->meters,
                                           s->meter_count, sizeof *s->meters);
    }
}

static void check_not_empty(const struct site_reading *r, const char *name, size_t count)
{
    const config_setting_t *list = config_setting_get_member(r->file->root, name);
    if (list && config_setting_is_list(list) && count == 0)
        field_error(r->file, (int)config_setting_source_line(list),
                    "%s is empty; a site has at least one", name);
}

_Static_assert(offsetof(struct site_panel, id) == 0 && offsetof(struct site_bus, id) == 0 &&
                   offsetof(struct site_meter, id) == 0 &&
                   offsetof(struct site_circuit, id) == 0,
               "resolve() takes the id as the first member");

void site_file_read(struct site_reading *r, const struct config_file *file, struct site *site)
{
    *r = (struct site_reading){.file = file, .site = site};
    r->top = fields_read(file, file->root, "site.cfg", top_fields, TOP_KEYS, NULL);
    read_site_group(r);
    r->panels = read_list(r, "panels", "panel", read_panel);
    r->buses = read_list(r, "buses", "bus", read_bus);
    r->meters = read_list(r, "meters", "meter", read_meter);
    r->circuits = read_list(r, "circuits", "circuit", read_circuit);
    check_not_empty(r, "panels", site->panel_count);
    check_not_empty(r, "circuits", site->circuit_count);
    resolve_references(r);
}

void site_reading_free(struct site_reading *r)
{
    free(r->panels);
    free(r->buses);
    free(r->meters);
    free(r->circuits);
    *r = (struct site_reading){0};
}
