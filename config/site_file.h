/*
 * site_file - site.cfg: its keys, and what must hold between them.
 *
 * Reading happens in three steps, each of which adds its faults and goes on: the keys
 * (site_file_read), how panels and breakers hang together (site_wiring_check), and buses,
 * meters and channels, for which the register maps must be there (site_meters_check). The steps
 * after the first judge only what the first found right, so that one mistake is named once.
 *
 * Element i of each array belongs to element i of the site's array of the same name.
 */
#ifndef FORETRIP_CONFIG_SITE_FILE_H
#define FORETRIP_CONFIG_SITE_FILE_H

#include "config/fields.h"

enum { SITE_ID, SITE_NAME, SITE_TIMEZONE, SITE_STANDARD, SITE_NOMINAL_VOLTS, SITE_KEYS };
enum {
    PANEL_ID,
    PANEL_NAME,
    PANEL_LEGS,
    PANEL_RATING,
    PANEL_FED_BY,
    PANEL_AMBIENT,
    PANEL_KEYS
};
enum {
    BUS_ID,
    BUS_DEVICE,
    BUS_HOST,
    BUS_PORT,
    BUS_BAUD,
    BUS_PARITY,
    BUS_STOP_BITS,
    BUS_RS485,
    BUS_TLS,
    BUS_POLL,
    BUS_TIMEOUT,
    BUS_KEYS
};
enum { METER_ID, METER_BUS, METER_UNIT, METER_MAP, METER_PANEL, METER_KEYS };
enum {
    CIRCUIT_ID,
    CIRCUIT_PANEL,
    CIRCUIT_POSITION,
    CIRCUIT_NAME,
    CIRCUIT_POLES,
    CIRCUIT_LEG,
    CIRCUIT_BREAKER,
    CIRCUIT_TYPE,
    CIRCUIT_METER,
    CIRCUIT_CHANNELS,
    CIRCUIT_CT_RATIO,
    CIRCUIT_CT_REVERSED,
    CIRCUIT_ESSENTIAL,
    CIRCUIT_FULL_RATED,
    CIRCUIT_NEUTRAL_GROUP,
    CIRCUIT_FEEDS,
    CIRCUIT_FASTENED,
    CIRCUIT_KEYS
};

struct site_element {
    const config_setting_t *group;
    struct fields_result keys;
    char panel[SITE_ID_SIZE]; /* references as written */
    char bus[SITE_ID_SIZE];
    char meter[SITE_ID_SIZE];
    size_t channel_count;
};

struct site_reading {
    const struct config_file *file;
    struct site *site;
    struct fields_result top;  /* of the file */
    struct fields_result keys; /* of its group "site" */
    struct site_element *panels;
    struct site_element *buses;
    struct site_element *meters;
    struct site_element *circuits;
};

/* Fills the site (from site_init) and *r; r ends with site_reading_free in any case. */
void site_file_read(struct site_reading *r, const struct config_file *file, struct site *site);
void site_wiring_check(const struct site_reading *r);
void site_meters_check(const struct site_reading *r, const struct meter_map_set *maps);
void site_reading_free(struct site_reading *r);

/* Whether a key is there and right. */
static inline bool site_key(const struct site_element *e, int row)
{
    return (e->keys.given & FIELD_BIT(row)) != 0;
}

/* The tables, for the manual. */
extern const struct field site_fields[SITE_KEYS];
extern const struct field panel_fields[PANEL_KEYS];
enum { BUS_TLS_CA, BUS_TLS_CERT, BUS_TLS_KEY, BUS_TLS_NAME, BUS_TLS_KEYS };
extern const struct field bus_fields[BUS_KEYS];
extern const struct field bus_tls_fields[BUS_TLS_KEYS];
extern const struct field meter_fields[METER_KEYS];
extern const struct field circuit_fields[CIRCUIT_KEYS];

#endif
