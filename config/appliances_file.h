/*
 * appliances_file - appliances.cfg: what appliances look like; the site's own, else the
 * shipped.
 *
 *     appliances = ( { key = "kettle"; name = "Electric kettle"; sure = 0.5;
 *                      modes = ( { watts = [ 1780, 2040, 2610 ]; seconds = [ 84, 174, 246 ]; }
 * ); } );
 *
 * A range is low, typical, high: the 10th, 50th and 90th percentile of what is on the market.
 * What the features mean stands in model/signature.h. days = ( [ ... ], ... ) is what single
 * devices are like over a day, alone on a circuit: SIGNATURE_DAY figures each,
 * SIGNATURE_DAY_NONE for what says nothing; day_centre and day_width beside the appliances are
 * those of all days, several_days of circuits with several loads. Without them no circuit is
 * judged by its days.
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
    APPLIANCE_DAYS,
    APPLIANCE_KEYS
};

/* Fills *set (zeroed); what is faulty is left out and reported. */
void appliances_file_read(struct signature_set *set, const struct config_source *source,
                          struct config_faults *faults);

/* The tables, for the manual. */
extern const struct field appliance_fields[APPLIANCE_KEYS];

#endif
