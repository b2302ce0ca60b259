/*
 * study_file - editions.cfg: the code's figures; study.cfg: what a load study is told.
 *
 *     editions = ( { id = "2023"; article = 220; vehicle_least_va = 7200; } );
 *
 *     study = { edition = "2023"; occupied = true; };
 *     dwellings = ( { panel = "main"; floor_ft2 = 1500; loads = ( { name = "Range"; va = 12000;
 * } ); } ); conductors = ( { circuit = "main-07"; ampacity_amps = 20; } );
 */
#ifndef FORETRIP_CONFIG_STUDY_FILE_H
#define FORETRIP_CONFIG_STUDY_FILE_H

#include "config/fields.h"
#include "model/load_study.h"

enum {
    EDITION_ID,
    EDITION_ARTICLE,
    EDITION_DWELLING,
    EDITION_SMALL_APPLIANCE,
    EDITION_LAUNDRY,
    EDITION_LEAST_CIRCUITS,
    EDITION_OPTIONAL_FIRST,
    EDITION_OPTIONAL_REST,
    EDITION_OPTIONAL_LEAST,
    EDITION_EXISTING_FIRST,
    EDITION_EXISTING_REST,
    EDITION_FEW_HEATERS,
    EDITION_MANY_HEATERS,
    EDITION_MANY_FROM,
    EDITION_CENTRAL_HEAT,
    EDITION_SUPPLEMENT,
    EDITION_RECORDED_FACTOR,
    EDITION_RECORDED_DAYS,
    EDITION_CONTINUOUS,
    EDITION_VEHICLE,
    EDITION_PLUG_SHARE,
    EDITION_FASTENED_SHARE,
    EDITION_PLUG_SECTION,
    EDITION_FASTENED_SECTION,
    EDITION_NOTE,
    EDITION_KEYS
};
enum {
    STUDY_EDITION,
    STUDY_OCCUPIED,
    STUDY_SEASONAL,
    STUDY_UNRECORDED,
    STUDY_PEAKS_CUT,
    STUDY_KEYS
};
enum {
    DWELLING_PANEL,
    DWELLING_FLOOR,
    DWELLING_VOLTS,
    DWELLING_SMALL_APPLIANCE,
    DWELLING_LAUNDRY,
    DWELLING_LOADS,
    DWELLING_KEYS
};
enum {
    DWELLING_LOAD_NAME,
    DWELLING_LOAD_KIND,
    DWELLING_LOAD_VA,
    DWELLING_LOAD_COUNT,
    DWELLING_LOAD_NEW,
    DWELLING_LOAD_KEYS
};
enum { CONDUCTOR_CIRCUIT, CONDUCTOR_PANEL, CONDUCTOR_AMPACITY, CONDUCTOR_KEYS };

/* Fills *s, which is zeroed: the editions, and what study.cfg says; without that edition 2023
 * and nothing else. Ids of panels and circuits are judged when site_good. */
void study_files_read(struct load_study *s, const struct config_source *source,
                      const struct site *site, bool site_good, struct config_faults *faults);

/* The tables, for the manual. */
extern const struct field edition_fields[EDITION_KEYS];
extern const struct field study_fields[STUDY_KEYS];
extern const struct field dwelling_fields[DWELLING_KEYS];
extern const struct field dwelling_load_fields[DWELLING_LOAD_KEYS];
extern const struct field conductor_fields[CONDUCTOR_KEYS];

#endif
