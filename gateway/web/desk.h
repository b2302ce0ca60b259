/*
 * desk - what takes long to reckon: load studies and advice.
 *
 * The routes judge the question and put it as JSON; a thread of the desk's own takes one after
 * the other, with a reader of its own, so that nobody who only looks waits for it.
 *
 *     study   {"circuit": index or -1, "panel": index or -1, "amps": 8.0, "continuous": false,
 *              "fastened": false, "dedicated": false, "from": ms, "to": ms}
 *     advice  {"from": ms, "to": ms}
 *
 * Threads    desk_answer on one thread at a time
 */
#ifndef FORETRIP_WEB_DESK_H
#define FORETRIP_WEB_DESK_H

#include "answer.h"

#define DESK_STUDY "study"
#define DESK_ADVICE "advice"

/* Always fills *out, which is zeroed. */
void desk_answer(const struct web_context *x, struct store_reader *reader, const char *verb,
                 const char *body, struct web_answer *out);

#endif
