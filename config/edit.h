/*
 * edit - changes one setting in a configuration file and leaves everything else as somebody
 * wrote it: comments, order, spaces.
 *
 * For the lists of groups that name themselves, such as circuits:
 *
 *     circuits = ( { id = "main-07"; leg = "A"; channels = [ 7 ]; }, ... );
 *
 * The text must be one that config_load takes; of any other it says false and changes nothing.
 */
#ifndef FORETRIP_CONFIG_EDIT_H
#define FORETRIP_CONFIG_EDIT_H

#include "base/text.h"

/* In the group of `list` whose id is `id`: key = value, the value as it is to stand in the file
 * ("\"B\"", "[ 7, 9 ]"). What it was before stays beside it in a comment; a key that was not
 * there is added. False, and *file as before, when there is no such group. */
bool config_edit(struct text *file, const char *list, const char *id, const char *key,
                 const char *value);

#endif
