#include "plan.h"

#include <stdlib.h>

/* Measured figures differ from device to device; what matters is that a read over a network
 * costs a round trip (milliseconds in a meter's small processor) and a register next to
 * nothing, so that any hole is bridged. docs/method/modbus.md */
#define TCP_READ_NS 2000000
#define TCP_REGISTER_NS 4000

#define REQUEST_CHARACTERS 8      /* unit, function, address, quantity, CRC */
#define ANSWER_FRAME_CHARACTERS 5 /* unit, function, byte count, CRC */
#define FIXED_SILENCE_NS 1750000
#define LAST_BAUD_IN_CHARACTERS 19200

struct plan_line plan_line_serial(int baud, int character_bits, int64_t turnaround_us)
{
    int64_t character_ns = ((int64_t)character_bits * 1000000000 + baud - 1) / baud;
    int64_t silence_ns =
        baud > LAST_BAUD_IN_CHARACTERS ? FIXED_SILENCE_NS : character_ns * 7 / 2;
    return (struct plan_line){
        .read_ns = (REQUEST_CHARACTERS + ANSWER_FRAME_CHARACTERS) * character_ns +
                   2 * silence_ns + turnaround_us * 1000,
        .register_ns = 2 * character_ns,
        .silence_ns = silence_ns,
        .character_ns = character_ns,
    };
}

struct plan_line plan_line_tcp(void)
{
    return (struct plan_line){.read_ns = TCP_READ_NS, .register_ns = TCP_REGISTER_NS};
}

struct plan_line plan_line_without_holes(struct plan_line line)
{
    line.register_ns += line.read_ns; /* one superfluous register now costs more than a read */
    return line;
}

int64_t plan_read_ns(const struct plan_line *line, int registers)
{
    return line->read_ns + registers * line->register_ns;
}

int64_t plan_total_ns(const struct plan_line *line, const struct plan_read *reads, size_t count)
{
    int64_t sum = 0;
    for (size_t i = 0; i < count; i++)
        sum += plan_read_ns(line, reads[i].count);
    return sum;
}

static int by_address(const void *a, const void *b)
{
    const struct plan_span *x = a, *y = b;
    if (x->address != y->address)
        return x->address < y->address ? -1 : 1;
    return (x->count > y->count) - (x->count < y->count);
}

/* the best way to read the first spans up to this one */
struct best {
    int64_t cost_ns;
    int reads;
    size_t from; /* where the last read begins */
    int end;     /* register after the last one of the last read */
};

static struct best best_upto(const struct plan_span *spans, size_t last, int max_registers,
                             const struct plan_line *line, const struct best *before)
{
    struct best found = {.cost_ns = INT64_MAX};
    int end = 0;
    for (size_t from = last + 1; from-- > 0;) {
        int reach = spans[from].address + spans[from].count;
        if (reach > end)
            end = reach;
        int length = end - spans[from].address;
        if (length > max_registers)
            break;
        int64_t cost = before[from].cost_ns + plan_read_ns(line, length);
        int reads = before[from].reads + 1;
        if (cost < found.cost_ns || (cost == found.cost_ns && reads < found.reads))
            found = (struct best){cost, reads, from, end};
    }
    return found;
}

static bool spans_fit(const struct plan_span *spans, size_t count, int max_registers)
{
    for (size_t i = 0; i < count; i++)
        if (spans[i].count < 1 || spans[i].count > max_registers || spans[i].address < 0 ||
            spans[i].address + spans[i].count > 65536)
            return false;
    return max_registers >= 1 && max_registers <= PLAN_MAX_REGISTERS;
}

int plan_reads(struct plan_span *spans, size_t count, int max_registers,
               const struct plan_line *line, struct plan_read *out)
{
    if (count == 0)
        return 0;
    if (!spans_fit(spans, count, max_registers))
        return -1;
    struct best *best = calloc(count + 1, sizeof *best); /* best[i]: of the first i spans */
    if (!best)
        return -1;
    qsort(spans, count, sizeof *spans, by_address);
    for (size_t i = 0; i < count; i++)
        best[i + 1] = best_upto(spans, i, max_registers, line, best);
    int reads = best[count].reads;
    size_t upto = count;
    for (int r = reads - 1; r >= 0; r--) {
        size_t from = best[upto].from;
        int address = spans[from].address;
        out[r] = (struct plan_read){address, best[upto].end - address};
        upto = from;
    }
    free(best);
    return reads;
}
