/*
 * study - load calculations as worked sheets: every step with its arithmetic and its section.
 *
 *     .82   optional method for a dwelling          NEC 220.82 (120.82 from 2026 on)
 *     .83   what an existing dwelling may take      NEC 220.83
 *     .87   existing loads by the record            NEC 220.87
 *     an addition to a circuit                      NEC 210.19, 210.20, 210.23
 *     an addition to a feeder, panel or service     NEC 220.87, 215.3, 230.42
 *     an addition by the design current             IEC 60364-4-43, 433.1: Ib <= In <= Iz
 *
 * The figures come from the edition (model/load_study.h), the demand from the record
 * (demand.h). A sheet is for a licensed electrician's judgement: it says what it does not know,
 * and "fits" means only that the arithmetic of these sections does not speak against it.
 *
 * Units      VA, amps RMS
 * Ownership  plain data
 */
#ifndef FORETRIP_STUDY_H
#define FORETRIP_STUDY_H

#include "demand.h"

#include "model/load_study.h"

#define STUDY_MOST_STEPS 72
#define STUDY_SUM_SIZE 96

enum study_kind {
    STUDY_OPTIONAL, /* .82 */
    STUDY_EXISTING, /* .83 */
    STUDY_RECORDED, /* .87, with an addition or without */
    STUDY_BRANCH,   /* an addition to a branch circuit */
    STUDY_DESIGN,   /* the same by IEC 60364, of any breaker */
};

/* What a line of a sheet is: study_item_name has the words for programs, study_item_text those
 * for people. */
enum study_item {
    /* amounts */
    ITEM_LIGHTING,
    ITEM_SMALL_APPLIANCES,
    ITEM_LAUNDRY,
    ITEM_LOAD, /* one by nameplate */
    ITEM_NEW_LOAD,
    ITEM_GENERAL, /* their sum */
    ITEM_FIRST,
    ITEM_REST,
    ITEM_AIR_CONDITIONING, /* candidates of .82(C), .83(B) */
    ITEM_HEAT_PUMP,
    ITEM_CENTRAL_HEAT,
    ITEM_ROOM_HEAT,
    ITEM_STORAGE_HEAT,
    ITEM_HEAT_OR_COOLING, /* the largest */
    ITEM_TOTAL,
    ITEM_AMPS,
    ITEM_MAXIMUM_DEMAND, /* of the worse leg, over any 15 minutes */
    ITEM_ALIGNED_DEMAND, /* and by quarters of the clock */
    ITEM_OTHER_LEG,      /* the highest of another leg, over any 15 minutes */
    ITEM_ALL_LEGS,       /* and of their sum, by the nominal volts */
    ITEM_UNRECORDED,
    ITEM_WITH_FACTOR,
    ITEM_CONTINUOUS, /* held for three hours or more */
    ITEM_REST_OF_DEMAND,
    ITEM_ADDITION,
    ITEM_REQUIRED,
    ITEM_DEVICE_REQUIRED, /* 215.3, 230.42 */
    ITEM_RATING,
    ITEM_AMPACITY,
    ITEM_PLUG_LIMIT,
    ITEM_FASTENED_LIMIT,
    ITEM_DESIGN_CURRENT,
    ITEM_TRIPPING_CURRENT,
    ITEM_ROOM, /* the largest addition */
    /* conditions: value 1 met, 0 not, NaN to be judged by a person */
    ITEM_IF_YEAR,
    ITEM_IF_DAYS,
    ITEM_IF_CONTINUOUS,
    ITEM_IF_WHOLE,
    ITEM_IF_OCCUPIED,
    ITEM_IF_SEASONAL,
    ITEM_IF_NO_PEAKS_CUT,
    ITEM_IF_LEAST_SERVICE,
    ITEM_IF_FITS, /* required <= rating */
    ITEM_IF_DEVICE_FITS,
    ITEM_IF_CONDUCTOR_FITS,
    ITEM_IF_PLUG_FITS,
    ITEM_IF_FASTENED_FITS,
    ITEM_IF_TRIPPING_FITS,
};
#define STUDY_ITEMS (ITEM_IF_TRIPPING_FITS + 1)

enum study_unit { UNIT_VA, UNIT_AMPS, UNIT_DAYS, UNIT_CONDITION };

struct study_step {
    enum study_item item;
    enum study_unit unit;
    double value;
    char name[SITE_NAME_SIZE];        /* of the load, "" */
    char section[STUDY_SECTION_SIZE]; /* "220.82(B)(1)"; "" for none */
    char sum[STUDY_SUM_SIZE];         /* "3 x 1500": the arithmetic, in numbers alone */
};

enum study_verdict {
    STUDY_NOTHING_ASKED,
    STUDY_FITS,
    STUDY_DOES_NOT_FIT,
    STUDY_UNDECIDED, /* something is not known, or a condition is not met */
};

struct study_sheet {
    enum study_kind kind;
    int panel, circuit; /* of what; -1 */
    char section[STUDY_SECTION_SIZE];
    char edition[SITE_ID_SIZE]; /* "" for IEC */
    struct study_step steps[STUDY_MOST_STEPS];
    size_t step_count;
    enum study_verdict verdict;
    double total_va, total_amps; /* NaN where it has none */
    double rating_amps;          /* what it is held against */
    double room_amps;            /* the largest addition; NaN: not known */
};

/* A load somebody would like to add. */
struct study_addition {
    double amps; /* of each leg it is on; 0: none, the sheet then says the room */
    bool continuous;
    bool fastened;  /* in place, not on a plug */
    bool dedicated; /* it will be alone on the circuit: nothing of 210.23 */
};

/* What the record says of a panel or a circuit. */
struct study_record {
    struct demand demand;
    bool whole;      /* every circuit of it is measured */
    bool flows_back; /* power flowed out of it */
};

/* Each fills a zeroed sheet. */
void study_optional(const struct code_edition *e, const struct site *s,
                    const struct dwelling *d, struct study_sheet *out);
void study_existing(const struct code_edition *e, const struct site *s,
                    const struct dwelling *d, struct study_sheet *out);
/* The feeder of the panel, or its service. */
void study_recorded(const struct load_study *l, const struct site *s, int panel,
                    const struct study_record *r, const struct study_addition *a,
                    struct study_sheet *out);
void study_branch(const struct load_study *l, const struct site *s, int circuit,
                  const struct study_record *r, const struct study_addition *a,
                  struct study_sheet *out);
/* circuit >= 0: of its breaker; else of the panel's feeder or main. */
void study_design(const struct load_study *l, const struct site *s, int circuit, int panel,
                  const struct study_record *r, const struct study_addition *a,
                  struct study_sheet *out);

/* What is asked: without a circuit and a panel (-1) every panel, and every dwelling described;
 * else whether the addition may come on that circuit or panel, and on all that feeds it. By the
 * site's standard: sheets of the NEC, or of IEC 60364. */
struct study_question {
    int circuit, panel;
    struct study_addition addition;
};

/* The sheets, at most STUDY_MOST_SHEETS; how many. circuits and panels by the site's order. */
#define STUDY_MOST_SHEETS (SITE_MAX_PANELS + 2 * STUDY_MOST_DWELLINGS)
size_t study_ask(const struct load_study *l, const struct site *s,
                 const struct study_record *circuits, const struct study_record *panels,
                 const struct study_question *q, struct study_sheet *out);

/* Of all of them together: what does not fit anywhere does not fit. */
enum study_verdict study_verdict_of(const struct study_sheet *sheets, size_t count);

const char *study_kind_name(enum study_kind k);
const char *study_item_name(enum study_item i);
const char *study_item_text(enum study_item i);
const char *study_verdict_name(enum study_verdict v);
const char *study_unit_name(enum study_unit u);

#endif
