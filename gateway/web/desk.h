/*
 * desk - what takes long to reckon: load studies and advice.
 *
 * The routes judge the question and put it as JSON; a thread of the desk's own takes one after
 * the other, with a reader of its own and below all others' priority, so that nobody who only
 * looks waits for it, and no poll.
 *
 *     study   {"circuit": index or -1, "panel": index or -1, "amps": 8.0, "continuous": false,
 *              "fastened": false, "dedicated": false, "span": desk_span_json}
 *     advice  {"span": desk_span_json}
 *
 * The last answers stay on the desk. The same question gets the same answer, without reckoning,
 * until a trip has been recorded or changed since, or the record has grown by a hundredth of
 * its length, an hour at the most (studies: a quarter of one). So two phones that ask at once,
 * or a page that is loaded again and again, cost one reckoning. Each answer says to when it
 * looks.
 *
 * Ownership  desk_create .. desk_destroy; borrows the context
 * Threads    one thread at a time
 */
#ifndef FORETRIP_WEB_DESK_H
#define FORETRIP_WEB_DESK_H

#include "answer.h"

#include <jansson.h>

#define DESK_STUDY "study"
#define DESK_ADVICE "advice"

struct desk_span {
    int64_t from_wall_ms, to_wall_ms; /* 0: usual_ms before to; where the record ends */
    int64_t usual_ms;
};

json_t *desk_span_json(const struct desk_span *s);

struct desk;

/* NULL: memory is short. */
struct desk *desk_create(const struct web_context *x);
void desk_destroy(struct desk *d); /* accepts NULL */

/* Always fills *out, which is zeroed. *kept (may be NULL): it was on the desk already. */
void desk_answer(struct desk *d, struct store_reader *reader, const char *verb,
                 const char *body, struct web_answer *out, bool *kept);

#endif
