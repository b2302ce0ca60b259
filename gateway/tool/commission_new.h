/*
 * commission_new - a bus that no site.cfg knows. For commission_new.c, which finds its meters
 * and writes a first site.cfg, and commission_channels.c, which asks for the breakers.
 */
#ifndef FORETRIP_TOOL_COMMISSION_NEW_H
#define FORETRIP_TOOL_COMMISSION_NEW_H

#include "commission.h"

#include "base/text.h"
#include "drivers/scan.h"

#define MOST_MAPS 64
#define MOST_FOUND 32

struct found_meter {
    int unit;
    char map[SITE_ID_SIZE], others[160]; /* others that fit as well */
    int channels, legs;                  /* those that have volts */
    double volts;                        /* of leg A; NaN when it measures none */
    double amps[METER_MAP_MAX_CHANNELS + 1];
};

struct survey {
    const struct commission_options *options;
    struct scan_result scan;
    struct link *link;
    char ids[MOST_MAPS][SITE_ID_SIZE];
    size_t id_count;
    struct found_meter meters[MOST_FOUND];
    size_t meter_count;
};

/* The circuits of the meters that were found, as answered, as a walk told, or (--yes) those
 * that carry a current. panel_legs: of the panel they are in. */
void commission_write_circuits(struct text *t, const struct survey *v, int panel_legs);

#endif
