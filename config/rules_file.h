/*
 * rules_file - rules.cfg: the local thresholds.
 *
 *     site = { continuous_percent = 75; };
 *     panels = ( { id = "garage"; ambient_celsius = 35; } );
 *     circuits = ( { id = "main-07"; zero_amps = 0.1; } );
 *
 * The keys are the rows of model/rules.h. The narrower wins: circuit, then its panel, then the
 * site, then the default of the site's standard. A panel's ambient_celsius of site.cfg counts
 * as given for the panel.
 */
#ifndef FORETRIP_CONFIG_RULES_FILE_H
#define FORETRIP_CONFIG_RULES_FILE_H

#include "config/fields.h"

/* Fills *set (from rules_set_init); file may be NULL: no rules.cfg. With site_good false, ids
 * that the site does not have are passed over, and the site may have circuits without a panel.
 */
void rules_file_read(struct rules_set *set, const struct config_file *file,
                     const struct site *site, bool site_good);

#endif
