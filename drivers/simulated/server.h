/*
 * server - the simulated house's end of its buses: TCP listeners and pseudo-terminals.
 *
 * One poll(2) loop, no threads. A TCP bus takes several clients at once; a serial bus is the
 * master end of a pseudo-terminal whose other end is linked to a path, raw, so that a gateway
 * opens that path as it would open a serial line. Requests come through pdu_parse, go to the
 * answer callback and leave when they are due: at once, later on request, or, when pacing is
 * on, when the characters would have been through a line of that speed.
 *
 * Ownership  create .. destroy; the callback's context is the caller's
 */
#ifndef FORETRIP_SIMULATED_SERVER_H
#define FORETRIP_SIMULATED_SERVER_H

#include "base/text.h"
#include "house_pdu.h"

struct server;

/* What goes back, filled by the callback; zeroed: an empty answer, not sent. */
struct server_reply {
    uint8_t pdu[PDU_MAX];
    size_t length; /* 0: silence */
    uint8_t unit;  /* as in the request, unless mischief has it otherwise */
    double delay_ms;
    bool corrupt; /* flip a bit of the CRC, or of TCP's length */
    bool cut;     /* send the first half only */
    bool hang_up; /* close the connection instead */
};

/* bus: the number that its listener was given. reply->unit is preset. */
typedef void server_answer(void *context, int bus, uint8_t unit, const uint8_t *pdu,
                           size_t length, struct server_reply *reply);

struct server *server_create(server_answer *answer, void *context);
void server_destroy(struct server *s);

/* Port 0 takes a free one; returns the port, -1 with a sentence in *why. */
int server_listen(struct server *s, int bus, const char *host, int port, struct text *why);

/* Links `link` to the far end. bits_per_char 11; baud 0: not paced. False: a sentence in *why.
 */
bool server_open_line(struct server *s, int bus, const char *link, int baud, struct text *why);

/* Serves until something has happened or the time (mono microseconds) is reached. */
void server_turn(struct server *s, int64_t until_mono_us);

#endif
