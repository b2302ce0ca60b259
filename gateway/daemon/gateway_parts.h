/*
 * gateway_parts - what gateway.c (the wiring and the turn) and account.c (how it goes) share.
 */
#ifndef FORETRIP_GATEWAY_PARTS_H
#define FORETRIP_GATEWAY_PARTS_H

#include "day_tell.h"
#include "gateway.h"

#include "mailroom.h"

#include "analysis/engine.h"
#include "base/pulse.h"
#include "base/queue.h"
#include "config/reader.h"
#include "drivers/assemble.h"
#include "drivers/bus.h"
#include "notify/announce.h"
#include "notify/conventions.h"
#include "notify/mqtt.h"
#include "notify/record_alarm.h"
#include "store/reader.h"
#include "store/store.h"
#include "web/web.h"

/* what was last published of a circuit */
struct published {
    double amps;
    int state;
    size_t load_count;
    int64_t mono_ms;
};

struct gateway {
    char config_directory[SITE_PATH_SIZE];
    char database[SITE_PATH_SIZE + 32];
    struct config *config;
    struct engine *engine;
    struct store *store;
    struct announce *announce; /* NULL without a broker: nobody would take the messages */
    struct mqtt *mqtt;         /* likewise */
    struct conventions conventions;
    struct web *web; /* NULL when no page is served */
    struct mailroom mailroom;
    struct queue *reports;
    struct assemble *assemble;
    uint64_t clock_steps; /* that have been said */
    struct bus *buses[SITE_MAX_BUSES];
    struct {
        bool known; /* false: nothing was heard of it yet */
        struct bus_meter_status last;
    } meters[SITE_MAX_METERS];
    struct vigil vigil;
    const struct pulse *stuck; /* one of those that are, NULL: none */
    size_t stuck_count;
    struct published *published;
    int64_t learned_saved_mono_ms;
    struct store_reader *wishes;
    int64_t wishes_mono_ms;
    int64_t health_mono_ms; /* 0: not told yet */
    struct day_tell day;
    bool running_changed; /* an event came: keep the running state with this turn */
    bool alarms_changed;  /* to be told when they are on disk */
    bool queue_full_said;
    struct record_alarm record_alarm;
    int64_t heap_mono_ms; /* base/heap.h's */
    uint64_t frames, events;
    int64_t frame_wall_ms;      /* of the last, 0: none yet */
    uint64_t raised[3], alerts; /* alarms, by priority */
    int64_t started_wall_ms;
    int64_t longest_turn_ms; /* since the last metrics, waiting not counted */
    char status[200];
};

#endif
