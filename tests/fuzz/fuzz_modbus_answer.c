/* Whatever a meter answers: raw bytes through a socket pair into libmodbus's own receiving
 * side, our judgement, and the decoding into readings.
 *
 * Input: one byte that picks the bus (bit 0: TCP), the function (bit 1) and the map (bits 2,
 * 3), then the bytes as they come on the wire. The far end is closed behind them, so nothing
 * waits. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "drivers/link.h"
#include "drivers/meter_plan.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define CHANNELS 8
#define MOST_BYTES 1024 /* fits into the socket's buffer */

static const struct {
    enum meter_type type;
    enum meter_order order;
    int scale_register;
    int64_t absent;
} kinds[] = {{METER_U16, METER_ABCD, -1, 0xFFFF},
             {METER_S16, METER_BADC, 60, -32768},
             {METER_F32, METER_CDAB, -1, 0x7FC00000},
             {METER_S64, METER_DCBA, 60, INT64_MIN}};

static void describe(struct site *s, struct meter_map *map, unsigned kind, int function)
{
    site_init(s);
    site_add_panel(s);
    site_add_bus(s);
    site_add_meter(s)->bus = 0;
    for (int i = 0; i < CHANNELS; i++) {
        struct site_circuit *c = site_add_circuit(s);
        c->panel = c->meter = 0;
        c->channels[0] = i + 1;
    }
    site_finish(s);
    *map = (struct meter_map){.max_registers = 125, .point_count = 1};
    map->points[0] = (struct meter_point){.quantity = FRAME_WATTS,
                                          .type = kinds[kind].type,
                                          .order = kinds[kind].order,
                                          .function = function,
                                          .stride = 5,
                                          .first_channel = 1,
                                          .channels = CHANNELS,
                                          .scale = 0.1,
                                          .scale_register = kinds[kind].scale_register,
                                          .has_absent = true,
                                          .absent = kinds[kind].absent};
}

static void check_readings(const struct meter_plan *plan, const uint16_t *registers)
{
    bool got[1] = {true};
    struct bus_reading readings[CHANNELS];
    size_t n = meter_plan_decode(plan, registers, got, NULL, readings);
    for (size_t i = 0; i < n; i++)
        if (readings[i].index < CHANNELS || readings[i].index >= 2 * CHANNELS ||
            !(fabsf(readings[i].value) <= FRAME_MAX_WATTS))
            abort(); /* nothing but a reading of a wanted channel comes out */
}

static void exchange(const struct site *s, const struct meter_plan *plan, bool tcp,
                     const uint8_t *bytes, size_t size)
{
    struct site_bus bus = s->buses[0];
    int fds[2];
    uint16_t registers[125];
    struct answer_request q = {.tcp = tcp,
                               .transaction = 1,
                               .unit = 1,
                               .function = (uint8_t)plan->reads[0].function,
                               .address = (uint16_t)plan->reads[0].address,
                               .count = (uint16_t)plan->reads[0].count};
    strcpy(bus.device, tcp ? "" : "-");
    if (socketpair(AF_UNIX, SOCK_STREAM, 0, fds) != 0)
        abort();
    struct link *l = link_create(&bus, -1);
    if (!l || !link_adopt(l, fds[0]) || (size && write(fds[1], bytes, size) != (ssize_t)size))
        abort();
    close(fds[1]);
    for (int i = 0; i < 4; i++) { /* an answer with others behind it */
        struct link_result r = link_receive(l, &q, clock_mono_us() + 1000000, registers);
        if (r.fault == FAULT_NONE)
            check_readings(plan, registers);
        if (r.fault == FAULT_CONNECTION || r.fault == FAULT_TIMEOUT)
            break;
    }
    link_destroy(l);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct site s;
    struct meter_map map;
    struct meter_plan plan;
    struct plan_line line = plan_line_tcp();
    if (size < 1 || size > MOST_BYTES)
        return 0;
    describe(&s, &map, data[0] >> 2 & 3U, data[0] & 2 ? 4 : 3);
    if (meter_plan_make(&s, 0, &map, &line, &plan) != METER_PLAN_OK || plan.read_count != 1)
        abort();
    exchange(&s, &plan, data[0] & 1, data + 1, size - 1);
    meter_plan_free(&plan);
    site_free(&s);
    return 0;
}
