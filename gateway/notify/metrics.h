/*
 * metrics - how the gateway itself is, for whoever watches it: numbers in the OpenMetrics text
 * format (OpenMetrics 1.0, section 4).
 *
 * Plain numbers in, text out. None of them says what a tenant has on.
 */
#ifndef FORETRIP_METRICS_H
#define FORETRIP_METRICS_H

#include "courier.h"
#include "mqtt.h"

#define METRICS_BUSES SITE_MAX_BUSES

#define METRICS_CLASSES 16

struct metrics_fault {
    const char *kind;
    uint64_t count;
};

struct metrics_bus {
    const char *id;
    uint64_t reads, answers, retries, missed;
    struct metrics_fault faults[METRICS_CLASSES]; /* the first without a kind ends them */
    struct {
        double most_seconds; /* INFINITY for the last, which ends them */
        uint64_t count;
    } times[METRICS_CLASSES]; /* good answers by how long they took */
    double seconds;           /* of all of them together */
};

struct metrics {
    const char *site;
    int64_t started_wall_ms;
    uint64_t frames, events;
    uint64_t raised[3]; /* alarms, by enum alarm_priority */
    uint64_t alerts;    /* raised */
    size_t reports_waiting;
    uint64_t reports_dropped;
    double turn_seconds;          /* the longest turn of the engine since the last text */
    double outbox_oldest_seconds; /* age of the oldest message to the broker, 0: none waits */
    int64_t database_bytes;
    struct store_status record;
    const struct mqtt_status *mqtt;       /* NULL: none */
    const struct courier_status *courier; /* NULL: none */
    size_t convention_count;              /* that are switched on */
    struct {
        const char *name;
        bool connected;
    } conventions[2];
    const struct metrics_bus *buses;
    size_t bus_count;
};

void metrics_write(const struct metrics *m, struct text *out);

#endif
