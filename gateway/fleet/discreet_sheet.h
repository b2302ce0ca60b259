/*
 * discreet_sheet - a unit's sheet, as its gateway gave it, less what a manager may not see.
 *
 * The gateway is asked for it that way (`role`), and leaves it out itself. Here it is left out
 * once more, member by member (web/discreet.h), so that one that is older, or wrong, does not
 * tell more than the centre may show. Pure.
 */
#ifndef FORETRIP_FLEET_DISCREET_SHEET_H
#define FORETRIP_FLEET_DISCREET_SHEET_H

#include <stddef.h>

/* malloc'ed text of the object; NULL: it cannot be read, or memory is short. */
char *discreet_sheet(const char *json, size_t length);

#endif
