/*
 * position - the places that a breaker takes on its panel, out of what the panel door says.
 *
 * "7" is one place, "7,9" and "7-9" are the two of a two-pole breaker, "7,9,11" the three of a
 * three-pole one; "7-11" and "7-9" with three poles are its first and last, counted the way the
 * distance says (odd or even places down one side of a North American panel, or one after
 * another along a rail). A place may carry letters before ("F7") and one after ("7A": half a
 * place, a tandem breaker). A single place with two or three poles is a label: it stands for
 * itself.
 */
#ifndef FORETRIP_CONFIG_POSITION_H
#define FORETRIP_CONFIG_POSITION_H

#include <stdbool.h>
#include <stddef.h>

struct place {
    char prefix[4]; /* "" or "F" */
    int number;     /* 1..9999 */
    char half;      /* 'A'.., '\0' for a whole place */
};

#define POSITION_MAX_PLACES 3

/* How many places the text names, 0 when it is no position, -1 when it does not go with the
 * number of poles. */
int position_parse(const char *text, int poles, struct place out[POSITION_MAX_PLACES]);

/* Whether two breakers cannot both sit there: the same place, or a half of it and the whole. */
bool position_clashes(const struct place *a, const struct place *b);

#endif
