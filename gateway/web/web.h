/*
 * web - the page and the interface for programs, served by the gateway itself.
 *
 * A server (server.h) with threads of its own. They read the store by readers of their own and
 * the board (board.h), which the engine's thread fills; they never wait for the engine and the
 * engine never waits for them. What somebody wants changed comes to the engine's thread as an
 * ask, out of a bounded queue, and is answered by it.
 *
 * Bounds     server.h's
 * Ownership  web_start .. web_stop; borrows site and store, which must outlive it
 * Threads    all calls from the engine's thread
 */
#ifndef FORETRIP_WEB_H
#define FORETRIP_WEB_H

#include "access.h"

#include "model/load_study.h"
#include "model/page.h"
#include "model/phrases.h"
#include "model/rules.h"
#include "model/signature.h"
#include "model/site.h"
#include "model/tariff.h"
#include "store/store.h"

struct web;
struct pulse; /* base/pulse.h */

struct web_options {
    const struct page_settings *settings; /* copied */
    const struct site *site;
    const struct phrases *phrases;
    const struct tariff *tariff;
    const struct load_study *study;
    const struct rules_set *rules;
    const struct signature_set *signatures;
    struct store *store;
    const char *store_path;          /* for readers of its own */
    const struct delivery *delivery; /* its people, where they log in */
};

/* NULL with a sentence in why. */
struct web *web_start(const struct web_options *o, char *why, size_t why_size);

/* Ends every connection. Accepts NULL. */
void web_stop(struct web *w);

/* Of its threads that must not be stuck: WEB_PULSES of them, i from 0. */
#define WEB_PULSES 5
const struct pulse *web_pulse(const struct web *w, int i);

/* Where it listens. */
int web_port(const struct web *w);

/* ---- what the engine knows ---- */

/* JSON of engine_json.h, copied, and the heat that is in it. */
void web_set_state(struct web *w, size_t circuit, int64_t wall_ms, const char *json,
                   double heat);
/* A JSON array of the loads known on a circuit, and a JSON object of what it is, taken whole;
 * copied. */
void web_set_known(struct web *w, size_t circuit, const char *loads, const char *whole);
/* A frame was taken. */
void web_frame(struct web *w, int64_t wall_ms);
/* At the end of a turn, after the commit: what is new goes out. Cheap. */
void web_turn(struct web *w);

/* ---- what people ask ---- */

#define WEB_KEEP "keep"           /* a verb: web_keep, and a commit */
#define WEB_DIRECTORY "directory" /* a verb: daemon/directory_change.h */

struct web_ask {
    const char *verb; /* as in notify/command.h, or one of the above */
    const char *body; /* a JSON object */
    size_t length;
    const struct access_who *who; /* whose id is "" where nobody logs in */
    const char *address;          /* where from */
    void *token;
};

/* False when there is none. Every one taken is answered once, at once, by web_reply. */
bool web_take_ask(struct web *w, struct web_ask *out);
/* error NULL: done. */
void web_reply(struct web *w, struct web_ask *ask, const char *error);
/* Their role may not. */
void web_refuse(struct web *w, struct web_ask *ask, const char *why);

/* ---- who may come in ---- */

/* NULL where nobody logs in. */
struct access *web_access(struct web *w);
/* Puts what changed at the door, who did what there and, every TRAIL_KEEP_MS, the heat into the
 * store's batch. */
void web_keep(struct web *w, int64_t wall_ms);

#endif
