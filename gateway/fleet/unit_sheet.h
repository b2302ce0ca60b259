/*
 * unit_sheet - `foretrip-fleet sheet`: a unit's gateway is asked, and what it says is printed.
 */
#ifndef FORETRIP_FLEET_UNIT_SHEET_H
#define FORETRIP_FLEET_UNIT_SHEET_H

#include "model/fleet.h"

/* trip: "" for the unit's sheet. Returns what a program ends with: 0 printed, 1 no answer (why
 * is on standard error, with when the unit was heard of last). */
int unit_sheet_print(const struct fleet_settings *settings, const char *site, const char *trip,
                     int timeout_ms);

#endif
