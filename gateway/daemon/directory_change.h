/*
 * directory_change - what people want changed in the panel directory, carried out.
 *
 * Asked as a JSON object, by the page (POST /api/v1/directory/...) or as a wish of the tool:
 *
 *     act       "keep"      place, part, kind, begins, tries, amps, light: what was traced is
 *                           judged again, here, and kept with its probability
 *               "purpose"   panel, position, words ("" takes it back)
 *               "place"     circuit, place, part: entered, not traced
 *               "forget"    place, part: out of the directory, traced and entered
 *               "import"    csv (analysis/directory_csv.h): all of it or nothing
 *
 * Each change stands in the history with who made it, and what was before.
 */
#ifndef FORETRIP_DIRECTORY_CHANGE_H
#define FORETRIP_DIRECTORY_CHANGE_H

#include "store/store_directory.h"

#include <jansson.h>

#define DIRECTORY_CHANGE_WHY_SIZE 320

/* NULL: done, and among what the next commit writes, so commit before the next change. Else a
 * sentence, in why or static. */
const char *directory_change(struct store *store, struct store_reader *r, const struct site *s,
                             const json_t *wish, int64_t wall_ms, const char *by,
                             char why[DIRECTORY_CHANGE_WHY_SIZE]);

#endif
