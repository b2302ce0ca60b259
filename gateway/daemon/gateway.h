/*
 * gateway - the wiring of the daemon: buses -> frames -> engine -> store -> outbox -> broker.
 *
 * One object for the whole running gateway. The caller's thread is the engine's: it alone
 * touches the engine and writes to the store. Buses and MQTT have threads of their own and meet
 * it in bounded queues.
 *
 * Ownership  gateway_create .. gateway_destroy
 * Threads    one
 */
#ifndef FORETRIP_GATEWAY_H
#define FORETRIP_GATEWAY_H

#include "base/text.h"

#include <stdbool.h>
#include <stdint.h>

struct gateway;

/* Reads the configuration, opens the record, starts buses and MQTT. NULL when it cannot start:
 * the reasons stand in the log. state_directory exists and is writable. */
struct gateway *gateway_create(const char *config_directory, const char *state_directory);

/* Stops the buses, saves the state, writes what waits, says "offline". Accepts NULL. */
void gateway_destroy(struct gateway *g);

/* Works for at most timeout_ms: reports, frames, commands, commits. */
void gateway_turn(struct gateway *g, int64_t timeout_ms);

/* Reads the configuration again as a whole; a faulty one changes nothing, and is said. */
void gateway_reload(struct gateway *g);

/* How the gateway itself is, as OpenMetrics text (notify/metrics.h). */
void gateway_metrics(struct gateway *g, struct text *out);

/* The same as a JSON object for foretrip-status(1), which lists its members. False when memory
 * is short. */
bool gateway_account(struct gateway *g, struct text *out);

/* One line of how it goes, for systemd's status. */
const char *gateway_status_line(struct gateway *g);

/* Whether every thread of every part stirs (base/pulse.h); those that do not stand in the log.
 */
bool gateway_alive(const struct gateway *g);

#endif
