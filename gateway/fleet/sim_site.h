/*
 * sim_site - one simulated gateway's record and its stream: what up.h is to a real one.
 *
 * Keeps what happened (a few bytes each) and how far the broker has it, makes batches, and
 * makes those again that a centre asks for. No I/O.
 *
 * Ownership  the caller's memory; sim_site_init .. sim_site_finish
 */
#ifndef FORETRIP_FLEET_SIM_SITE_H
#define FORETRIP_FLEET_SIM_SITE_H

#include "sim_record.h"

#include "base/text.h"
#include "model/site.h"

#define SIM_BATCH_RECORDS 500 /* as up.h's */

struct sim_site {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    uint32_t number; /* in the fleet */
    int64_t base;    /* the number before the first record's */
    struct sim_entry *entries;
    size_t count, room;
    size_t acknowledged; /* so many are with the broker */
    size_t sending;      /* .. when the batch on its way is answered */
    size_t again_from, again_to, again_sending;
};

void sim_site_init(struct sim_site *s, uint32_t number, int64_t base);
void sim_site_finish(struct sim_site *s);

/* False when memory is short. */
bool sim_site_add(struct sim_site *s, enum sim_what what, uint32_t story, int64_t since_ms,
                  int64_t wall_ms);

/* A year of stories, and what stands at its end, by the site's own chance. */
bool sim_site_add_history(struct sim_site *s, int64_t from_ms, int64_t to_ms);

/* Something is not yet with the broker. */
bool sim_site_has_news(const struct sim_site *s);

/* The next batch; health: with the gateway's own word, also when there is nothing new. */
void sim_site_compose(struct sim_site *s, bool health, struct text *out);

/* The numbers above after up to to are asked for. */
void sim_site_ask_again(struct sim_site *s, int64_t after, int64_t to);
bool sim_site_has_again(const struct sim_site *s);
void sim_site_compose_again(struct sim_site *s, struct text *out);

/* What a command asks for (docs/mqtt.md), as it came. True when it asks for records again; an
 * answer is there when it said where to: reply_to is NULL otherwise. */
struct sim_answer {
    char *reply_to;
    struct text json;
};
bool sim_site_command(struct sim_site *s, const char *verb, const void *payload, size_t length,
                      int64_t wall_ms, struct sim_answer *out);
void sim_answer_free(struct sim_answer *a);

/* How the site is, as docs/mqtt.md has the command `status`; and `circuits`. Members of an
 * object without its braces. */
void sim_site_status(const struct sim_site *s, struct text *out);
void sim_site_circuits(const struct sim_site *s, int64_t wall_ms, struct text *out);

/* Likewise `sheet`; trip: id, "" of none; discreet: without what is on. False when there is no
 * trip of that id. */
bool sim_site_sheet(const struct sim_site *s, const char *trip, bool discreet, int64_t wall_ms,
                    struct text *out);

#endif
