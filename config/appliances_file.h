/*
 * appliances_file - appliances.cfg: what appliances look like; the site's own, else the
 * shipped.
 *
 *     appliances = ( { key = "kettle"; name = "Electric kettle"; sure = 0.5;
 *                      modes = ( { watts = [ 1780, 2040, 2610 ]; seconds = [ 84, 174, 246 ]; }
 * ); } );
 *
 * A range is low, typical, high: the 10th, 50th and 90th percentile of what is on the market.
 * What the features mean stands in model/signature.h.
 *
 *     day_classes = ( "kettle", "several" );
 *     day_trees = ( "24 310 -2 0 100 -2 1 95", ... );
 *
 * judge what a circuit carries by its day, as numbers in order of descent: a split is a figure
 * (enum signature_day) and its threshold in hundredths, then what lies below it or at it, then
 * what lies above; a leaf is -1 - n and n pairs, a class by its place in day_classes and its
 * share in hundredths. Without them no circuit is judged by its days.
 */
#ifndef FORETRIP_CONFIG_APPLIANCES_FILE_H
#define FORETRIP_CONFIG_APPLIANCES_FILE_H

#include "config/fields.h"

enum {
    APPLIANCE_KEY,
    APPLIANCE_NAME,
    APPLIANCE_GROUP,
    APPLIANCE_SHARE,
    APPLIANCE_SURE,
    APPLIANCE_ESSENTIAL,
    APPLIANCE_MODES,
    APPLIANCE_KEYS
};

/* Fills *set (zeroed); what is faulty is left out and reported. */
void appliances_file_read(struct signature_set *set, const struct config_source *source,
                          struct config_faults *faults);

/* The tables, for the manual. */
extern const struct field appliance_fields[APPLIANCE_KEYS];

#endif
