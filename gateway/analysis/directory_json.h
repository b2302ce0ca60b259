/*
 * directory_json - the panel directory as JSON, the same for the page, programs and the tool.
 *
 *     panels [{panel, name, rating_amps, legs, fed_by, lines [...]}], remarks [...], unmetered
 *
 * A line: position, place, state ("in_use", "spare", "space"), circuit (null: space), poles,
 * leg, rating_amps, purpose, entered, places [{place, part, kind, traced, probability, amps,
 * by, time}], loads [{load, named, probability}]. A remark: kind, conflict, panel, circuits,
 * subject, text.
 */
#ifndef FORETRIP_ANALYSIS_DIRECTORY_JSON_H
#define FORETRIP_ANALYSIS_DIRECTORY_JSON_H

#include "directory.h"

#include <jansson.h>

/* Appends what is sure enough of the array of engine_known_json; false: memory is short. The
 * array belongs to the caller, who frees it. */
bool directory_add_loads(const json_t *known, int circuit, struct directory_load **loads,
                         size_t *count);

/* A new reference, NULL when memory is short. panel -1: all of them. loads that were built
 * with; none of them is told when `discreet`. */
json_t *directory_json(const struct directory *d, const struct directory_load *loads,
                       size_t load_count, int panel, bool discreet);

#endif
