/*
 * answer - which question gets which answer: the routes of the page and of /api/v1.
 *
 *     GET /                          the page, and what it is made of
 *     GET /api/v1/...
 *       site                         what is installed
 *       status                       version, last frame
 *       circuits                     how every circuit stands; panel
 *       circuits/ID                  how one stands, and what hangs on it
 *       circuits/ID/history          as bands; from, to, points, quantity, pole
 *       circuits/ID/alarms           changes of its alarms; from, to
 *       circuits/ID/energy           by days, and the highest demand; from, to
 *       circuits/ID/export.csv       every reading; from, to
 *       loads                        what is on everywhere
 *       alarms                       all
 *       trips                        newest first; from, to, open, most
 *       trips/ID                     one, with all that was said of it
 *       trips/ID/record              the readings around it; before, after
 *       calls                        service calls; circuit, open, most
 *       calls/ID                     one: what is asked, what was found, every step; language
 *       events                       circuit, from, to, or after, most
 *       trace                        the plan of a tracing, and its result; begins, tries, amps
 *       directory                    of the panels; panel
 *       directory.csv                the same as a table
 *       directory/changes            who changed what; before, most
 *       stream                       server-sent events
 *       phrases                      what is said of alarms; language
 *       study                        load calculations; circuit, panel, amps, continuous,
 *                                    fastened, dedicated, from, to   (desk.h)
 *       advice                       what would have avoided trips; from, to   (desk.h)
 *       session                      who is in, and what they may do
 *       people                       who may log in; visits
 *       audit                        who did what; before, most
 *       openapi.json                 all of this for programs
 *     POST /api/v1/...
 *       alarms/ID/acknowledge        by
 *       alarms/ID/shelve             by, seconds, note
 *       circuits/ID/name             load, name
 *       trips/ID/correct             cause, by
 *       trips/ID/note                note, by
 *       calls                        circuit (or a trip), as, by, device
 *       calls/ID/answer              question, answer, note, as, by, device
 *       calls/ID/stop                danger, by
 *       calls/ID/note                note, by
 *       directory/keep               place, part, kind, begins, tries, amps, light
 *       directory/place              circuit, place, part
 *       directory/forget             place, part
 *       directory/purpose            panel, position, words
 *       directory/import             csv
 *       session, session/choose, session/password, session/end
 *       people/ID/invite, people/ID/end, visits, visits/ID/end     (door.h)
 *
 * Reads the store and the board and nothing else. What changes something (POST) is not done
 * here: the answer is WEB_ASK, and the body, checked to be a JSON object, with what it is about
 * put in, goes to the engine's thread, which judges it as it judges a command from the broker.
 *
 * Where people log in (`access` is there) everything but the page itself, its description and
 * the way in needs a session, and each route an act that the session's role may do. What
 * changes something needs the session's token as well, in the header X-Foretrip-Token. POST
 * alone changes anything.
 *
 * Threads    as many as there are readers in the context
 */
#ifndef FORETRIP_WEB_ANSWER_H
#define FORETRIP_WEB_ANSWER_H

#include "board.h"
#include "request.h"
#include "trail.h"

#include "model/load_study.h"
#include "model/phrases.h"
#include "model/rules.h"
#include "model/signature.h"
#include "model/site.h"
#include "model/tariff.h"
#include "store/reader.h"

struct web_context {
    const struct site *site;
    const struct phrases *phrases;
    const struct tariff *tariff;
    const struct load_study *study;
    const struct rules_set *rules;
    const struct signature_set *signatures;
    struct trail *trail;
    struct board *board;
    struct access *access; /* NULL: nobody is asked who they are */
    bool charts;           /* the chart library was built in */
    bool local;            /* for this machine's people only: asked for by a local name */
};

/* Always fills *out, which the caller has zeroed. wall_ms is now. */
void web_answer_request(const struct web_context *x, struct store_reader *reader,
                        const struct web_request *r, int64_t wall_ms, struct web_answer *out);

#endif
