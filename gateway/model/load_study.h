/*
 * load_study - what a load calculation is made of: the code's figures, and the dwelling's.
 *
 * An edition of the National Electrical Code (NFPA 70) is data: the article in which load
 * calculations stand (220, and 120 from 2026 on) and the figures of its sections. The shipped
 * ones are in config/editions.cfg, each with where its figures come from.
 *
 * What hangs in a dwelling by nameplate, what conductors carry and what somebody has said of
 * the record are in study.cfg of the site.
 *
 * Units      VA, amps, volts, square feet (the unit of the section)
 * Ownership  plain data
 */
#ifndef FORETRIP_LOAD_STUDY_H
#define FORETRIP_LOAD_STUDY_H

#include "site.h"

#define STUDY_MOST_EDITIONS 12
#define STUDY_MOST_DWELLINGS 16
#define STUDY_MOST_LOADS 32 /* of one dwelling */
#define STUDY_MOST_CONDUCTORS 256
#define STUDY_SECTION_SIZE 24
#define STUDY_NOTE_SIZE 400

struct code_edition {
    char id[SITE_ID_SIZE]; /* "2023" */
    int article;           /* "220" of 220.82 */
    double dwelling_va_per_ft2;
    double small_appliance_va, laundry_va; /* a circuit */
    int least_small_appliance_circuits;
    double optional_first_va, optional_rest; /* .82(B): 100 % of so much, a share of the rest */
    double optional_least_amps;              /* .82(A): the service's rating */
    double existing_first_va, existing_rest; /* .83 */
    double few_heaters, many_heaters;        /* .82(C): shares of separately controlled ones */
    int many_heaters_from;
    double central_heat, heat_supplement;
    double recorded_factor; /* .87: on the maximum demand */
    int recorded_days;      /* .87, exception: days of 15-minute demand */
    double continuous_factor;
    double vehicle_least_va;                   /* .57: 0 where the edition has no such thing */
    double plug_share, fastened_share;         /* of a multi-outlet circuit's rating */
    char plug_section[STUDY_SECTION_SIZE];     /* "210.23(A)(1)" */
    char fastened_section[STUDY_SECTION_SIZE]; /* "210.23(A)(2)" */
    char note[STUDY_NOTE_SIZE];                /* printed on every sheet; may be "" */
};

enum dwelling_load_kind {
    DWELLING_APPLIANCE, /* range, oven, water heater, dryer, dishwasher, motor, ... */
    DWELLING_VEHICLE,   /* charging equipment */
    DWELLING_AIR_CONDITIONING,
    DWELLING_HEAT_PUMP,
    DWELLING_HEAT_SUPPLEMENT, /* of the heat pump */
    DWELLING_CENTRAL_HEAT,
    DWELLING_ROOM_HEAT, /* count: how many are controlled separately */
    DWELLING_STORAGE_HEAT,
};
#define DWELLING_LOAD_KINDS 8

struct dwelling_load {
    char name[SITE_NAME_SIZE];
    enum dwelling_load_kind kind;
    double va; /* nameplate, of one */
    int count;
    bool is_new; /* not there yet: what .83 is asked about */
};

struct dwelling {
    int panel; /* whose service or feeder it is */
    double floor_ft2;
    double volts; /* between the ungrounded conductors */
    int small_appliance_circuits, laundry_circuits;
    struct dwelling_load loads[STUDY_MOST_LOADS];
    size_t load_count;
};

struct conductor {
    int circuit, panel; /* one of them is -1; a panel: what feeds it */
    double ampacity_amps;
};

struct load_study {
    struct code_edition editions[STUDY_MOST_EDITIONS];
    size_t edition_count;
    int edition; /* the one that holds at the site */
    /* what only a person can know of the record (.87) */
    bool occupied;          /* it was taken while people lived there */
    bool peaks_cut;         /* photovoltaics, wind, storage or other peak shaving */
    double unrecorded_va;   /* larger of heating and cooling, and seasonal loads, not in it */
    bool seasonal_recorded; /* they are in it */
    struct dwelling dwellings[STUDY_MOST_DWELLINGS];
    size_t dwelling_count;
    struct conductor conductors[STUDY_MOST_CONDUCTORS];
    size_t conductor_count;
};

/* -1: there is none of that id. */
int load_study_find_edition(const struct load_study *s, const char *id);
/* NaN: nobody has said. A panel's is also what is said of the circuit that feeds it. */
double load_study_ampacity(const struct load_study *s, const struct site *site, int circuit,
                           int panel);
/* NULL: none is described. */
const struct dwelling *load_study_dwelling(const struct load_study *s, int panel);
const char *dwelling_load_kind_name(enum dwelling_load_kind k);

#endif
