/*
 * board - the latest of every circuit, where the engine leaves it and the page picks it up.
 *
 * The engine's thread writes; whoever serves reads copies. Nothing here waits for anything but
 * a lock that is held for the copying of some kilobytes, so a slow reader delays no poll.
 *
 * What is kept is text: the JSON of engine_json.h as it goes to the broker too, and what is
 * known of each circuit's loads.
 *
 * Ownership  board_create .. board_destroy; texts that are given are copied
 * Threads    safe
 */
#ifndef FORETRIP_WEB_BOARD_H
#define FORETRIP_WEB_BOARD_H

#include "base/text.h"
#include "model/site.h"

struct board;

struct board *board_create(size_t circuits);
void board_destroy(struct board *b);

/* ---- the engine's side ---- */

/* A frame was taken at that time. */
void board_frame(struct board *b, int64_t wall_ms);
/* A JSON object, without a newline. */
void board_set_state(struct board *b, size_t circuit, const char *json);
/* A JSON array: what hangs on the circuit, as far as it was seen; and a JSON object: what the
 * circuit is, taken whole. */
void board_set_known(struct board *b, size_t circuit, const char *loads, const char *whole);

/* ---- the page's side ---- */

/* Of the last frame; 0 before the first. */
int64_t board_frame_wall_ms(struct board *b);
/* Appends the state, "null" before there was one. */
void board_append_state(struct board *b, size_t circuit, struct text *out);
/* Appends the known loads, "[]" before there were any. */
void board_append_known(struct board *b, size_t circuit, struct text *out);
/* Appends what the circuit is, "null" before that was told. */
void board_append_whole(struct board *b, size_t circuit, struct text *out);
/* Appends all states in the site's order, with commas; only those of one panel's circuits, or
 * of all for -1. */
void board_append_states(struct board *b, const struct site *s, int panel, struct text *out);
/* Appends the states that changed since the last call of this, with commas. One reader. */
void board_append_changed(struct board *b, struct text *out);

#endif
