/*
 * house_file - reads how a house lives from a libconfig file of our own.
 *
 *     house = { ambient_celsius = 12.0; ambient_swing = 4.0; source_ohms = 0.03; ... };
 *     loads = ( { id = "bath-heater"; name = "portable heater"; circuit = "main-07"; watts =
 * 1500.0; power_factor = 1.0; hours = [ 6, 7, 21 ]; starts_per_day = 2.0; run_minutes =
 * [ 20.0, 60.0 ]; cycle_on_seconds = [ 300.0, 600.0 ]; ... } ); breakers = ( { circuit =
 * "main-05"; condition = "worn"; } ); script = ( { at = 20.0; act = "on"; load = "hair-dryer";
 * seconds = 240.0; } );
 *
 * Every key but the ids has a default (the tables in house_file.c). Circuits are those of the
 * site. All faults are found in one run, each a line "FILE:LINE: what is wrong".
 */
#ifndef FORETRIP_SIMULATED_HOUSE_FILE_H
#define FORETRIP_SIMULATED_HOUSE_FILE_H

#include "base/text.h"
#include "house.h"

/* False: *faults holds the lines; *out is untouched. Free with house_spec_free. */
bool house_file_load(struct house_spec *out, const char *path, const struct site *site,
                     struct text *faults);
/* The same from memory; name stands in the faults. */
bool house_file_parse(struct house_spec *out, const char *name, const char *content,
                      const struct site *site, struct text *faults);

/* What stands where a file says nothing. */
struct house_spec house_spec_defaults(void);
struct house_load_spec house_load_defaults(void);

#endif
