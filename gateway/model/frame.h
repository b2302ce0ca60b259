/*
 * frame - the readings of one moment, of a whole site.
 *
 * The one shape in which readings travel: a bus, a recording and the simulated house all fill
 * frames, the engine and the store take them. A value that was not read is NaN, never zero.
 *
 *     values   [ amps of every pole | watts of every pole | volts of every pole | power factor
 *                of every pole | volts of legs a, b, c of every panel ]
 *
 * A pole's index is circuit.first_pole + pole. Sections that a source never fills are absent
 * from `has`, so that nobody walks them; a section in `has` may still hold NaN everywhere.
 *
 * Units      amps and volts RMS, watts (negative: power flows out), power factor -1..1
 * Time       mono_ms for intervals, never going back; wall_ms (Unix, UTC) for stamps, may jump.
 *            Both are the tick's; when each pole was read within it, `taken` says, where the
 *            source knows (sums across meters: analysis/aligned.h)
 * Ownership  frame_create .. frame_destroy; whoever is handed a const frame borrows it
 */
#ifndef FORETRIP_FRAME_H
#define FORETRIP_FRAME_H

#include "site.h"

enum frame_quantity {
    FRAME_AMPS,
    FRAME_WATTS,
    FRAME_VOLTS,
    FRAME_POWER_FACTOR,
    FRAME_PANEL_VOLTS, /* per panel and leg */
};
#define FRAME_QUANTITIES 5

/* A reading was taken within_us before or after at_us, which counts from the frame's mono_ms
 * and is negative for what a slower bus read before. What the meter itself averages over comes
 * on top. */
struct frame_taken {
    int32_t at_us, within_us;
};

struct frame {
    int64_t mono_ms;
    int64_t wall_ms;
    int32_t utc_offset_seconds; /* of the site's local time at wall_ms */
    uint32_t has;               /* bit 1 << quantity */
    size_t poles;
    size_t panels;
    size_t count;                    /* of values: 4 * poles + 3 * panels */
    const struct frame_taken *taken; /* of each pole's amps, borrowed from the source; NULL: all
                                        at mono_ms */
    float values[];
};

/* All values NaN, has = 0. NULL when memory is short. */
struct frame *frame_create(const struct site *s);
void frame_destroy(struct frame *f);

/* Every value NaN again, has kept. */
void frame_clear(struct frame *f);

size_t frame_count(const struct site *s);

/* Where a section begins. */
static inline size_t frame_section(const struct frame *f, enum frame_quantity q)
{
    return (size_t)q * f->poles;
}

static inline size_t frame_index(const struct frame *f, enum frame_quantity q, size_t pole)
{
    return (size_t)q * f->poles + pole;
}

/* leg 0..2 for a, b, c */
static inline size_t frame_panel_index(const struct frame *f, size_t panel, size_t leg)
{
    return 4 * f->poles + 3 * panel + leg;
}

static inline const float *frame_amps(const struct frame *f)
{
    return f->values;
}

/* What a source may deliver at the most; more is a decoding error and refused as no reading. */
#define FRAME_MAX_AMPS 10000.0F
#define FRAME_MAX_VOLTS 2000.0F
#define FRAME_MAX_WATTS 10.0e6F

/* NaN when v is not within the bounds of the quantity. Amps of a little under zero (an offset
 * of the meter) become zero. */
float frame_checked(enum frame_quantity q, double v);

/* The column name of the readings contract, "main-07.amps", "main-07.amps_2", "main.volts_a".
 */
void frame_column_name(const struct site *s, size_t index, char *out, size_t capacity);

/* The index of a column name, -1 when the site has none of that name. *why (may be NULL) then
 * says what is wrong with it, static storage. */
int frame_find_column(const struct site *s, const char *name, size_t length, const char **why);

#endif
