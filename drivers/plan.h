/*
 * plan - the cheapest reads that cover a set of wanted registers.
 *
 * Pure. What a read costs on a line is a constant (request, answer's frame, silences,
 * turnaround) and so much a register; so it pays to read over a hole of unwanted registers as
 * long as that is cheaper than another read. Spans sorted by address are cut into consecutive
 * groups, each group one read; the best cuts are found by dynamic programming in O(spans *
 * max_registers). That consecutive groups suffice: let reads be ordered by their start, none
 * inside another. If a span s before t were read later than t, s would reach beyond t's read
 * and so hold t, and t could be moved to the read of s at no cost.
 *
 * Units      nanoseconds, so that equal costs are equal; then fewer reads are preferred
 */
#ifndef FORETRIP_PLAN_H
#define FORETRIP_PLAN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PLAN_MAX_REGISTERS 125 /* MODBUS Application Protocol V1.1b3, sections 6.3 and 6.4 */

/* Registers that belong together (one value) and are never split over two reads. */
struct plan_span {
    int address; /* 0..65535 */
    int count;   /* 1..PLAN_MAX_REGISTERS */
};

struct plan_read {
    int address;
    int count;
};

struct plan_line {
    int64_t read_ns;      /* for every read, whatever its length */
    int64_t register_ns;  /* for every register in the answer */
    int64_t silence_ns;   /* t3.5, between frames; 0 on TCP */
    int64_t character_ns; /* 0 on TCP */
};

/* The line's cost model. character_bits: 1 start, 8 data, parity, stop bits; Modbus asks
 * for 11. Over Serial Line V1.02, section 2.5.1.1: t3.5 is 3.5 characters up to 19200 bit/s,
 * fixed 1.75 ms above. turnaround_us: how long the meter thinks. */
struct plan_line plan_line_serial(int baud, int character_bits, int64_t turnaround_us);
/* One exchange over a network costs about the same whatever it carries. */
struct plan_line plan_line_tcp(void);
/* The same line, on which holes are never bridged (for a meter that refuses to read over them).
 */
struct plan_line plan_line_without_holes(struct plan_line line);

int64_t plan_read_ns(const struct plan_line *line, int registers);

/* Sorts spans in place and writes the reads, at most count, ascending, to out. Each read has at
 * most max_registers (1..125; a single span may be longer only if the caller lies). Returns how
 * many, 0 for none wanted; -1 when memory is short or a span does not fit into one read or into
 * the address space. */
int plan_reads(struct plan_span *spans, size_t count, int max_registers,
               const struct plan_line *line, struct plan_read *out);

/* What the reads cost together. */
int64_t plan_total_ns(const struct plan_line *line, const struct plan_read *reads,
                      size_t count);

#endif
