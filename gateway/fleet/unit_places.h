/*
 * unit_places - what units are called and where they lie, from a table: `foretrip-fleet
 * places`.
 *
 *     unit,name,building,place
 *     maple-12,12 Maple Street,Maple House,3B
 *
 * Without a table it prints the one that stands. The first line names the columns; `unit` is
 * needed, of the others those that are there are taken, further ones are passed over. So the
 * page's table of units, edited, can be given back. All of it is taken, or nothing.
 */
#ifndef FORETRIP_FLEET_UNIT_PLACES_H
#define FORETRIP_FLEET_UNIT_PLACES_H

#include "sql.h"

#include "base/text.h"

#define UNIT_PLACES_WHY_SIZE 300

/* The table of all units, as it stands. */
enum sql_err unit_places_write(struct sql *s, struct text *out);

/* text: the table, terminated. False with a sentence that names the line in why. */
bool unit_places_take(struct sql *s, const char *text, size_t *units,
                      char why[UNIT_PLACES_WHY_SIZE]);

#endif
